// Starts the players low, shows where the copy is. Optional: all can be read and played without it.
const facts = JSON.parse(document.getElementById("facts").textContent);
const players = [...document.querySelectorAll("audio")], level = 10 ** (facts.start_db / 20);
for (const player of players) {
  player.volume = level;
  player.addEventListener("play", () => players.forEach(other => { if (other !== player) other.pause(); }));
}
if (players.length && facts.start_db < 0 && players.every(player => Math.abs(player.volume - level) < .01)) {
  document.getElementById("start").textContent =
    `The players begin ${-facts.start_db} dB down, on this page only: the copy itself is as it is. Raise the volume in the player when you know the level.`;
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
