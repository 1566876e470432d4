// Decode what the page carries, give life to its sections, and stop all sound on request.
const carried = JSON.parse(document.getElementById("carried").textContent);

for (const programme of Object.values(carried.first_row.programmes)) {
  programme.wedge = decoded(programme.wedge);
  programme.mains = decoded(programme.mains);
}
carried.rings.talk = decoded(carried.rings.talk);
if (carried.own) carried.own.sound = decoded(carried.own.sound);

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
