// Copies answers by a key or a button, starts the players low, shows where the copy is. Optional: all can be
// read, marked and played without it.
const said = document.getElementById("said");
const say = text => { said.textContent = ""; said.textContent = text; };
function mark(node) {
  const range = document.createRange(), chosen = getSelection();
  range.selectNodeContents(node); chosen.removeAllRanges(); chosen.addRange(range);
}
async function take(node) {
  const text = node.textContent.trim();
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

const facts = JSON.parse(document.getElementById("facts").textContent);
const players = [...document.querySelectorAll("audio")], level = 10 ** (facts.start_db / 20);
for (const player of players) {
  player.volume = level;
  player.addEventListener("play", () => players.forEach(other => { if (other !== player) other.pause(); }));
}
if (players.length && facts.start_db < 0 && players.every(player => Math.abs(player.volume - level) < .01)) {
  document.getElementById("start").textContent =
    `The players begin ${-facts.start_db} dB down. Raise the volume in the player when you know the level.`;
}

const copy = document.getElementById("copy"), frame = document.getElementById("frame-beat");
if (copy && frame) {
  const head = frame.appendChild(Object.assign(document.createElement("div"), { id: "playhead" }));
  const span = facts.end - facts.start;
  const show = () => { head.style.left = 100 * (copy.currentTime - facts.start) / span + "%"; };
  copy.addEventListener("timeupdate", show);
  copy.addEventListener("seeked", show);
  frame.addEventListener("click", event => {
    const area = frame.getBoundingClientRect();
    copy.currentTime = Math.max(0, facts.start + span * (event.clientX - area.left) / area.width);
  });
  show();
}
