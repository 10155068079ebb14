// Search, filters and sorting of the table; a reload every 30 s unless somebody types or scrolled away.
const form = document.querySelector("form"), body = document.querySelector("tbody");
const rows = [...body.rows], none = document.getElementById("none"), shown = document.getElementById("shown");
const value = name => form.elements[name].value, number = text => text === "" ? NaN : Number(text);
const keep = () => history.replaceState(null, "", "#" + new URLSearchParams(new FormData(form)));
function sift() {
  const words = value("search").toLowerCase().split(/\s+/).filter(Boolean);
  const low = number(value("from")), high = number(value("to")), ears = form.elements.ears.checked;
  let count = 0;
  for (const row of rows) {
    const d = row.dataset, tempo = number(d.tempo);
    row.hidden = !(words.every(w => d.text.includes(w)) && (!ears || d.ears !== "0")
      && (!value("producer") || d.producer === value("producer")) && (!value("key") || d.key === value("key"))
      && !(tempo < low) && !(tempo > high) && (isNaN(low) && isNaN(high) || !isNaN(tempo)));
    if (!row.hidden) count++;
  }
  shown.textContent = count; none.hidden = count > 0;
}
function sort(head, descending) {
  const field = head.dataset.sort, sign = descending ? -1 : 1, numeric = head.dataset.kind === "number";
  const of = row => numeric ? (row.dataset[field] === "" ? Infinity * sign : Number(row.dataset[field])) : row.dataset[field];
  rows.sort((a, b) => { const x = of(a), y = of(b); return x < y ? -sign : x > y ? sign : 0; });
  body.append(...rows);
  document.querySelectorAll("th").forEach(h => h.removeAttribute("aria-sort"));
  head.setAttribute("aria-sort", descending ? "descending" : "ascending");
}
document.querySelectorAll("th button").forEach(button => button.addEventListener("click", () => {
  const head = button.parentElement;
  sort(head, head.getAttribute("aria-sort") === "ascending" || (!head.hasAttribute("aria-sort") && head.dataset.sort === "made"));
}));
for (const [name, text] of new URLSearchParams(location.hash.slice(1))) {
  const field = form.elements[name];
  if (field) { if (field.type === "checkbox") field.checked = true; else field.value = text; }
}
form.hidden = false;
form.addEventListener("input", () => { sift(); keep(); });
form.addEventListener("submit", event => event.preventDefault());
sift();
setInterval(() => { if (document.activeElement === document.body && scrollY < 200) location.reload(); }, 30000);
