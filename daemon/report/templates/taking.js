// Copies answers by a key or a button. Optional: all can be read and marked without it.
const said = document.getElementById("said");
const say = text => { said.textContent = ""; said.textContent = text; };
function mark(node) {
  const range = document.createRange(), chosen = getSelection();
  range.selectNodeContents(node); chosen.removeAllRanges(); chosen.addRange(range);
}
async function take(node) {
  const text = node.textContent;  // a command to be finished ends in a space
  try { await navigator.clipboard.writeText(text); }
  catch {
    mark(node);
    let done = false;
    try { done = document.execCommand("copy"); } catch { /* then it stays marked */ }
    if (!done) { say("marked: copy it with Ctrl+C or Cmd+C"); return; }
  }
  say(`copied: ${text.includes("\n") ? "the lines" : text}`);
}
const takers = [...document.querySelectorAll("button[data-take]")];
for (const button of takers) {
  button.hidden = false;
  button.addEventListener("click", () => take(document.getElementById(button.dataset.take)));
}
document.addEventListener("keydown", event => {
  if (event.ctrlKey || event.metaKey || event.altKey || event.target.closest("input, select, textarea")) return;
  const button = takers.find(b => b.getAttribute("aria-keyshortcuts") === event.key.toLowerCase());
  if (button) { event.preventDefault(); button.click(); }
});
