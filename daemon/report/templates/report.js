// Playhead on the picture of the beat; a click on the picture moves the copy there. Optional.
const place = JSON.parse(document.getElementById("place").textContent);
const copy = document.getElementById("copy"), frame = document.getElementById("frame-beat");
if (copy && frame) {
  const head = frame.appendChild(Object.assign(document.createElement("div"), { id: "playhead" }));
  const span = place.end - place.start;
  const show = () => { head.style.left = 100 * (copy.currentTime - place.start) / span + "%"; };
  copy.addEventListener("timeupdate", show);
  copy.addEventListener("seeked", show);
  frame.addEventListener("click", event => {
    const area = frame.getBoundingClientRect();
    copy.currentTime = Math.max(0, place.start + span * (event.clientX - area.left) / area.width);
  });
  show();
}
