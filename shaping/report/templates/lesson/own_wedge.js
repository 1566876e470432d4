// Your wedge: a recording through the plan's settings, each on or off; and a simulated loop, which
// rings on below the point where it howls and howls above it. Levels of it are capped.
const LOOP = { most_db: -26, from_db: -70, db_per_s_per_db: 20, fastest: 60, fall_db_per_s: 40, boost_db: 12, q: 30 };

// By how many dB each point of the loop stands over (or under) howling.
function excesses_db(points, send_db, on) {
  return points.map(
    (point) =>
      send_db - point.onset_db + point.change_db.reduce((sum, db, at) => sum + (on[at] ? db : 0), 0),
  );
}

// Gated loudness of ITU-R BS.1770, from samples that are K-weighted already.
function gated_lufs(samples) {
  const size = RATE_HZ / 10;
  const mean = (values) => values.reduce((sum, one) => sum + one, 0) / Math.max(values.length, 1);
  const steps = Array.from({ length: Math.floor(samples.length / size) }, (_, at) =>
    mean(samples.subarray(at * size, (at + 1) * size).map((one) => one * one)),
  );
  const blocks = steps.slice(3).map((_, at) => mean(steps.slice(at, at + 4)));
  const heard = blocks.filter((power) => power > 10 ** ((-70 + 0.691) / 10));
  return 10 * Math.log10(mean(heard.filter((power) => power > mean(heard) / 10))) - 0.691;
}

// The gain, none above 0 dB, that makes the sound through these settings as loud as through all.
async function equalGain_db(own, buffer, on) {
  const lufs = async (kept) => {
    const key = String(kept);
    own.loudness ??= {};
    own.loudness[key] ??= rendered((context) => {
      const source = looped(context, buffer);
      const settings = own.settings.filter((_, at) => kept[at]);
      const through = settings.reduce((node, { sos }) => filtered(context, node, sos), source);
      filtered(context, through, own.k_weighting).connect(context.destination);
      source.start();
    }, buffer.duration).then(gated_lufs);
    return own.loudness[key];
  };
  const over_db = (await lufs(on)) - (await lufs(on.map(() => true)));
  return Number.isFinite(over_db) ? Math.min(0, -over_db) : 0;
}

function ownGraph(context, out, buffer, own, state) {
  const source = looped(context, buffer);
  const stages = own.settings.map((setting, at) => switchable(context, setting.sos, state.on[at]));
  const all = gainNode(context, 1);
  let node = source;
  for (const stage of stages) {
    node.connect(stage.input);
    node = stage.output;
  }
  const loop = own.points.map((point) => {
    const bell = context.createBiquadFilter();
    bell.type = "peaking";
    bell.frequency.value = point.hz;
    bell.Q.value = LOOP.q;
    bell.gain.value = 0;
    node.connect(bell);
    node = bell;
    const oscillator = context.createOscillator();
    oscillator.frequency.value = point.hz;
    const level = gainNode(context, 0);
    oscillator.connect(level).connect(out);
    return { bell, oscillator, level };
  });
  node.connect(all).connect(out);
  const start = context.currentTime;
  [source, ...loop.map((one) => one.oscillator)].forEach((one) => one.start(start));

  function howl({ level }, grows_db) {
    const now = context.currentTime;
    const floor = amplitude(LOOP.from_db);
    const from = Math.max(level.gain.value, floor);
    const from_db = 20 * Math.log10(from);
    level.gain.cancelScheduledValues(now);
    if (grows_db > 0) {
      const rate = Math.min(LOOP.db_per_s_per_db * grows_db, LOOP.fastest);
      level.gain.setValueAtTime(from, now);
      const seconds = Math.max((LOOP.most_db - from_db) / rate, FADE_S);
      level.gain.exponentialRampToValueAtTime(amplitude(LOOP.most_db), now + seconds);
    } else if (level.gain.value > floor) {
      const seconds = (from_db - LOOP.from_db) / LOOP.fall_db_per_s;
      level.gain.setValueAtTime(from, now);
      level.gain.exponentialRampToValueAtTime(floor, now + seconds + FADE_S);
      level.gain.linearRampToValueAtTime(0, now + seconds + 2 * FADE_S);
    } else level.gain.setValueAtTime(0, now);
  }

  function apply(now) {
    stages.forEach((stage, at) => stage.set(now.on[at]));
    ramp(context, all.gain, amplitude(now.gain_db));
    const found = excesses_db(own.points, now.send_db, now.on);
    const most = Math.max(...found);
    loop.forEach((one, at) => {
      // Near howling a loop lifts its frequency by 1 / (1 - loop gain).
      const gain = found[at] < 0 ? -20 * Math.log10(1 - amplitude(found[at])) : LOOP.boost_db;
      one.bell.gain.setTargetAtTime(Math.min(gain, LOOP.boost_db), context.currentTime, FADE_S);
      // A howl holds all slower ones down.
      howl(one, found[at] === most ? found[at] : 0);
    });
  }
  apply(state);
  return { apply, stop: (when) => [source, ...loop.map((one) => one.oscillator)].forEach((one) => one.stop(when)) };
}

function ownWedge(section, data) {
  const form = section.querySelector("form");
  const switches = [...section.querySelectorAll("[role=switch]")];
  const told = section.querySelector("[role=status]");
  const send = form.elements.send;
  const button = section.querySelector(".play");
  const picture = chart(section.querySelector("#own"), {
    low_hz: 31, high_hz: 16500, low_db: -18, high_db: 6, step_db: 6,
  });
  let graph = null;
  let asked = 0;

  const state = () => ({
    on: switches.map((one) => one.getAttribute("aria-checked") === "true"),
    gain_db: 0,
    send_db: send ? Number(send.value) : -Infinity,
  });

  // Loudness takes a moment to compute: that of what one switch more would give is asked for ahead.
  async function levelled() {
    const now = state();
    if (form.elements.level.value !== "equal") return now;
    const buffer = await data.sound;
    const gain_db = await equalGain_db(data, buffer, now.on);
    now.on.forEach((_, at) => equalGain_db(data, buffer, now.on.map((one, other) => (other === at ? !one : one))));
    return { ...now, gain_db };
  }

  function loopWords(now) {
    const found = excesses_db(data.points, now.send_db, now.on);
    const most = Math.max(...found);
    const { text } = data.points[found.indexOf(most)];
    if (most >= 0) return `Howls at ${text} (simulated, level capped).`;
    if (now.send_db >= data.added_db)
      return "By the plan's own estimate it howls from here on, at a frequency that it does not name.";
    if (most > -3) return `Rings on at ${text}, ${(-most).toFixed(1)} dB under the howl.`;
    return "Steady.";
  }

  function show() {
    const now = state();
    const total_db = data.response_hz.map((hz, bin) =>
      data.response_db.reduce((sum, row, at) => sum + (now.on[at] ? row[bin] : 0), 0),
    );
    picture.clear();
    picture.line(data.response_hz, total_db, "after");
    if (send) {
      excesses_db(data.points, now.send_db, now.on).forEach((db, at) =>
        picture.mark(data.points[at].hz, db, db >= 0 ? "howls" : "near"),
      );
      send.setAttribute("aria-valuetext", `${signed(now.send_db, 0)} decibels; ${loopWords(now)}`);
      section.querySelector("[data-show=send]").textContent = `${signed(now.send_db, 0)} dB`;
      told.textContent = loopWords(now);
    }
    picture.tell(`What the ${now.on.filter(Boolean).length} settings that are on do to the wedge, by frequency.`);
    const turn = (asked += 1);
    levelled().then((next) => {
      if (graph && turn === asked) graph.apply(next);
    });
  }

  async function start() {
    const buffer = await data.sound;
    const now = form.elements.level.value === "equal" ? await levelled() : state();
    graph = await play("your wedge", (context, out) => ownGraph(context, out, buffer, data, now));
  }

  button.addEventListener("click", () => (graph ? stopSound() : start()));
  document.addEventListener("sound", (event) => {
    if (event.detail !== "your wedge") graph = null;
    button.textContent = event.detail === "your wedge" ? "Stop" : "Play";
  });
  for (const one of switches)
    one.addEventListener("click", () => {
      one.setAttribute("aria-checked", String(one.getAttribute("aria-checked") !== "true"));
      show();
    });
  for (const one of section.querySelectorAll("[data-all]"))
    one.addEventListener("click", () => {
      switches.forEach((other) => other.setAttribute("aria-checked", one.dataset.all));
      show();
    });
  form.addEventListener("input", show);
  form.addEventListener("submit", (event) => event.preventDefault());
  show();
}
