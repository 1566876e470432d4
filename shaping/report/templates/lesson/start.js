// Decode what the page carries, give life to its sections, and stop all sound on request.
const carried = JSON.parse(document.getElementById("carried").textContent);

// One after another, those that are heard first come first: each place holds a promise of its sound.
const places = Object.values(carried.first_row.programmes)
  .flatMap((programme) => [[programme, "wedge"], [programme, "mains"]])
  .concat([[carried.rings, "talk"]]);
if (carried.own) places.unshift([carried.own, "sound"]);
places.reduce((before, [place, name]) => {
  const base64 = place[name];
  place[name] = before.then(() => decoded(base64));
  return place[name];
}, Promise.resolve());

firstRow(document.getElementById("first-row"), carried.first_row);
const ring = whichRings(document.getElementById("which-rings"), carried.rings);
if (carried.own) ownWedge(document.getElementById("own-wedge"), carried.own);

const bar = document.getElementById("sounding");
document.addEventListener("sound", (event) => {
  bar.hidden = !event.detail;
  bar.querySelector("span").textContent = event.detail ? `Playing: ${event.detail}` : "";
});
bar.querySelector("button").addEventListener("click", stopSound);
document.addEventListener("keydown", (event) => {
  if (event.key === "Escape") stopSound();
});
// A page nobody looks at is silent.
document.addEventListener("visibilitychange", () => {
  if (document.hidden) stopSound();
});

// For the tests: the graphs that are heard, rendered without being heard.
window.lesson = {
  carried,
  player,
  ring,
  rendered,
  firstRowGraph,
  ringGraph,
  ownGraph,
  equalGain_db,
  excesses_db,
  filteredImpulse: (sos, seconds) =>
    rendered((context) => {
      const source = context.createBufferSource();
      // As long as what is rendered: a browser may end a filter soon after its source.
      source.buffer = context.createBuffer(1, Math.round(seconds * RATE_HZ), RATE_HZ);
      source.buffer.getChannelData(0)[0] = 1;
      filtered(context, source, sos).connect(context.destination);
      source.start();
    }, seconds),
};
