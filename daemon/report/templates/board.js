// Search, filters, sorting and choosing by keys; what is new since somebody looked, kept in this browser only; a
// reload every 30 s unless somebody is at work here or scrolled away. Without it the table is all there.
const form = document.querySelector("form"), body = document.querySelector("tbody"), search = form.elements.search;
const rows = [...body.rows], none = document.getElementById("none"), shown = document.getElementById("shown");
const value = name => form.elements[name].value, number = text => text === "" ? NaN : Number(text);
const order = form.elements.sort;
let touched = Date.now();
function keep() {
  const state = new URLSearchParams([...new FormData(form)].filter(([, text]) => text && text !== "made down"));
  history.replaceState(null, "", "#" + state);
}

// --- new since you looked -------------------------------------------------------------------------
const place = "looked " + location.pathname, newest = Math.max(0, ...rows.map(row => Number(row.dataset.made)));
let looked = { at: 0, opened: [] };  // nobody has looked yet: all is new
try {
  const kept = JSON.parse(localStorage.getItem(place));
  if (Number.isFinite(kept?.at) && Array.isArray(kept.opened)) looked = kept;
} catch { /* a browser that keeps nothing */ }
const remember = () => { try { localStorage.setItem(place, JSON.stringify(looked)); } catch { /* likewise */ } };
const isNew = row => Number(row.dataset.made) > looked.at && !looked.opened.includes(row.dataset.id);
function mark() {
  let count = 0;
  for (const row of rows) { row.firstElementChild.classList.toggle("new", isNew(row)); count += isNew(row); }
  document.getElementById("fresh").textContent = count ? `; ${count} new${looked.at ? " since you looked" : ""}` : "";
}
document.getElementById("looked").addEventListener("click", () => {
  looked = { at: newest, opened: [] };
  remember(); mark(); sift();
});
function opened(event) {
  const link = event.target.closest("td.name a");
  if (!link) return;
  looked.opened = [...looked.opened, link.closest("tr").dataset.id].slice(-500);
  remember(); mark();
}
body.addEventListener("click", opened);
body.addEventListener("auxclick", opened);

// --- filters and order ----------------------------------------------------------------------------
function fits(row, words, low, high) {
  const d = row.dataset, show = value("show");
  return words.every(w => d.text.includes(w))
    && (!show || (show === "new" ? isNew(row) : show === "ears" ? d.ears !== "0" : d.state === show))
    && (!value("producer") || d.producer === value("producer"))
    && (!value("key") || d.keys.includes(`|${value("key")}|`))
    && (isNaN(low) && isNaN(high) || d.low !== undefined && !(Number(d.high) < low) && !(Number(d.low) > high));
}
function sift() {
  const words = search.value.toLowerCase().split(/\s+/).filter(Boolean);
  const low = number(value("from")), high = number(value("to"));
  let count = 0;
  for (const row of rows) if (!(row.hidden = !fits(row, words, low, high))) count++;
  shown.textContent = count < rows.length ? `; ${count} of ${rows.length} lines shown` : ""; none.hidden = count > 0;
}
function sort(text) {
  const [field, way] = text.split(" "), head = document.querySelector(`th[data-sort="${CSS.escape(field)}"]`);
  if (!head) return;
  const descending = way === "down", sign = descending ? -1 : 1, numeric = head.dataset.kind === "number";
  const of = row => numeric ? (row.dataset[field] === "" ? Infinity * sign : Number(row.dataset[field])) : row.dataset[field];
  rows.sort((a, b) => { const x = of(a), y = of(b); return x < y ? -sign : x > y ? sign : 0; });
  body.replaceChildren();  // a row that is moved where it stands costs a look at all the others
  body.append(...rows);
  document.querySelectorAll("th").forEach(h => h.removeAttribute("aria-sort"));
  head.setAttribute("aria-sort", descending ? "descending" : "ascending");
  order.value = `${field} ${descending ? "down" : "up"}`;
}
document.querySelectorAll("th button").forEach(button => button.addEventListener("click", () => {
  const head = button.parentElement, now = head.getAttribute("aria-sort"), field = head.dataset.sort;
  sort(`${field} ${now === "ascending" || (!now && field === "made") ? "down" : "up"}`);
  keep();
}));

// --- keys -----------------------------------------------------------------------------------------
const links = () => rows.filter(row => !row.hidden).map(row => row.querySelector(".name a")).filter(Boolean);
document.addEventListener("keydown", event => {
  if (event.ctrlKey || event.metaKey || event.altKey) return;
  const at = document.activeElement, inSearch = at === search, inRow = at.matches("td.name a");
  if (event.key === "/" && !at.matches("input, select")) search.focus();
  else if (event.key === "Escape" && (inSearch || inRow)) {
    if (inSearch) { search.value = ""; sift(); keep(); search.blur(); } else search.focus();
  } else if (event.key === "Enter" && inSearch) links()[0]?.click();
  else if (["ArrowDown", "ArrowUp"].includes(event.key) && (inSearch || inRow || at === document.body)) {
    const all = links(), next = (inRow ? all.indexOf(at) : -1) + (event.key === "ArrowDown" ? 1 : -1);
    if (next < 0) search.focus(); else all[Math.min(next, all.length - 1)]?.focus();
  } else return;
  event.preventDefault();
});

for (const [name, text] of new URLSearchParams(location.hash.slice(1))) {
  if (name === "sort") sort(text);
  else if (form.elements[name]) form.elements[name].value = text;
}
const filters = document.querySelector(".filters"), chosen = () => [...filters.querySelectorAll("input, select")].filter(f => f.value);
const tell = () => { document.getElementById("filtering").textContent = chosen().length ? `: ${chosen().length} in use` : ""; };
filters.open = chosen().length > 0 || matchMedia("(min-width: 46rem)").matches;
form.hidden = false;
order.addEventListener("input", () => sort(order.value));
form.addEventListener("input", () => { sift(); keep(); tell(); });
form.addEventListener("submit", event => event.preventDefault());
for (const kind of ["keydown", "pointerdown", "click", "input", "scroll"])
  document.addEventListener(kind, () => { touched = Date.now(); }, { capture: true, passive: true });
remember(); mark(); sift(); tell();
setInterval(() => {
  if (Date.now() - touched > 29000 && document.activeElement === document.body && scrollY < 200) location.reload();
}, 30000);
