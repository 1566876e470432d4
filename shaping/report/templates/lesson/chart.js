// Pictures: levels over frequency, drawn anew when something changes.
const SVG = "http://www.w3.org/2000/svg";
const FRAME = { width: 360, height: 210, left: 38, right: 8, top: 8, bottom: 34 };
const TICKS_HZ = [63, 125, 250, 500, 1000, 2000, 4000, 8000];

const signed = (value, digits = 1) => {
  const text = Math.abs(value).toFixed(digits);
  return Number(text) === 0 ? text : (value < 0 ? "\u2212" : "+") + text;
};
const hertz = (hz) => (hz < 1000 ? `${hz}` : `${hz / 1000}k`);

function element(name, attributes, text) {
  const made = document.createElementNS(SVG, name);
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  if (text !== undefined) made.textContent = text;
  return made;
}

// `axes`: low_hz, high_hz, low_db, high_db, step_db, and optionally shade_hz [from, to].
function chart(figure, axes) {
  const svg = figure.querySelector("svg");
  svg.setAttribute("viewBox", `0 0 ${FRAME.width} ${FRAME.height}`);
  const right = FRAME.width - FRAME.right;
  const bottom = FRAME.height - FRAME.bottom;
  const octaves = Math.log2(axes.high_hz / axes.low_hz);
  const x = (hz) => FRAME.left + ((right - FRAME.left) * Math.log2(hz / axes.low_hz)) / octaves;
  const held = (db) => Math.min(Math.max(db, axes.low_db), axes.high_db);
  const y = (db) =>
    FRAME.top + ((bottom - FRAME.top) * (axes.high_db - held(db))) / (axes.high_db - axes.low_db);
  const add = (name, attributes, text) => svg.append(element(name, attributes, text));
  const shade = (from, to, kind) =>
    element("rect", {
      class: kind, x: x(from), width: x(to) - x(from), y: FRAME.top, height: bottom - FRAME.top,
    });

  if (axes.shade_hz) svg.append(shade(...axes.shade_hz, "shade"));
  for (let db = axes.low_db; db <= axes.high_db; db += axes.step_db) {
    add("line", { class: db === 0 ? "zero" : "grid", x1: FRAME.left, x2: right, y1: y(db), y2: y(db) });
    add("text", { class: "side", x: FRAME.left - 4, y: y(db) + 4 }, signed(db, 0));
  }
  for (const hz of TICKS_HZ.filter((one) => one > axes.low_hz && one < axes.high_hz)) {
    add("line", { class: "grid", x1: x(hz), x2: x(hz), y1: FRAME.top, y2: bottom });
    add("text", { class: "under", x: x(hz), y: bottom + 13 }, hertz(hz));
  }
  add("text", { class: "under", x: (FRAME.left + right) / 2, y: FRAME.height - 4 }, "Hz: low left, high right");
  const drawn = element("g", {});
  svg.append(drawn);
  return {
    clear: () => drawn.replaceChildren(),
    line(hz, db, kind) {
      const points = hz.map((one, at) => `${x(one).toFixed(1)},${y(db[at]).toFixed(1)}`);
      drawn.append(element("polyline", { class: kind, points: points.join(" ") }));
    },
    upright(hz, kind) {
      drawn.append(element("line", { class: kind, x1: x(hz), x2: x(hz), y1: FRAME.top, y2: bottom }));
    },
    label(hz, db, text, kind = "under") {
      const inside = Math.min(Math.max(x(hz), FRAME.left + 34), right - 34);
      drawn.append(element("text", { class: kind, x: inside, y: y(db) }, text));
    },
    mark(hz, db, kind) {
      drawn.append(element("circle", { class: kind, cx: x(hz), cy: y(db), r: 5 }));
    },
    shade: (from, to, kind) => drawn.append(shade(from, to, kind)),
    tell: (text) => svg.setAttribute("aria-label", text),
  };
}
