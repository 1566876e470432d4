// Which frequency rings? A tone grows softly over speech, as feedback does: a straight line in dB.
const TONE = { from_db: -64, db_per_s: 6, most_db: -26, fall_db_per_s: 40 };
const CUT = { q: 8, gain_db: -12 };

function ringGraph(context, out, talk, tone) {
  const source = looped(context, talk);
  const speech = gainNode(context, 1);
  // The Web Audio recommendation's bell is the cookbook's.
  const bell = context.createBiquadFilter();
  bell.type = "peaking";
  bell.frequency.value = tone.hz;
  bell.Q.value = CUT.q;
  bell.gain.value = 0;
  const oscillator = context.createOscillator();
  oscillator.frequency.value = tone.hz;
  const level = gainNode(context, amplitude(TONE.from_db));
  const start = context.currentTime;
  const growth = (from_db, at) => {
    const seconds = (TONE.most_db - from_db) / TONE.db_per_s;
    level.gain.exponentialRampToValueAtTime(amplitude(TONE.most_db), at + seconds);
  };
  level.gain.setValueAtTime(amplitude(TONE.from_db), start);
  growth(TONE.from_db, start);
  source.connect(speech).connect(bell).connect(out);
  oscillator.connect(level).connect(out);
  source.start(start);
  oscillator.start(start);
  return {
    cut(on) {
      const now = context.currentTime;
      const level_db = 20 * Math.log10(Math.max(level.gain.value, amplitude(TONE.from_db)));
      level.gain.cancelScheduledValues(now);
      level.gain.setValueAtTime(amplitude(level_db), now);
      bell.gain.setTargetAtTime(on ? CUT.gain_db : 0, now, FADE_S);
      if (on) {
        const seconds = (level_db - TONE.from_db) / TONE.fall_db_per_s + FADE_S;
        level.gain.exponentialRampToValueAtTime(amplitude(TONE.from_db), now + seconds);
        level.gain.linearRampToValueAtTime(0, now + seconds + FADE_S);
      } else growth(level_db, now);
    },
    alone: (on) => ramp(context, speech.gain, on ? 0 : 1),
    stop: (when) => [source, oscillator].forEach((one) => one.stop(when)),
  };
}

function whichRings(section, data) {
  const form = section.querySelector("form");
  const choices = section.querySelector(".choices");
  const told = section.querySelector("[role=status]");
  const after = section.querySelector(".after");
  const [alone, cut] = after.querySelectorAll("[role=switch]");
  const button = section.querySelector(".play");
  const picture = chart(section.querySelector("#tone"), {
    low_hz: 140, high_hz: 7200, low_db: -50, high_db: 0, step_db: 10,
  });
  let graph = null;
  let tone = null;

  const bands = () => data.bands[form.elements.detail.value];
  const holds = (band, hz) => hz >= band.low_hz && hz < band.high_hz;

  function offer() {
    choices.replaceChildren(
      ...bands().map((band) => {
        const made = document.createElement("button");
        made.type = "button";
        made.textContent = band.text;
        const hint = document.createElement("small");
        hint.textContent = band.hint;
        made.append(hint);
        made.disabled = !tone;
        made.addEventListener("click", () => answer(band));
        return made;
      }),
    );
  }

  function draw(guess) {
    picture.clear();
    if (guess) picture.shade(guess.low_hz, guess.high_hz, "guess");
    picture.line(data.hz, data.level_db, "mains");
    if (guess) {
      picture.upright(tone.hz, "tone");
      picture.mark(tone.hz, -4, "tone");
    }
    picture.tell(
      guess
        ? `The talk by frequency, the tone at ${tone.text}, and your guess, ${guess.text}.`
        : "The talk by frequency. The tone appears here once you have guessed.",
    );
  }

  function answer(guess) {
    const list = bands();
    const at = list.findIndex((band) => holds(band, tone.hz));
    const off = at - list.indexOf(guess);
    const where = Math.abs(off) === 1 ? "one band" : `${Math.abs(off)} bands`;
    told.textContent = off
      ? `You said ${guess.text}. It is ${tone.text}: ${where} ${off > 0 ? "higher" : "lower"}. Listen again.`
      : `Yes, ${guess.text}: it is ${tone.text}.`;
    after.hidden = false;
    draw(guess);
  }

  async function start(chosen) {
    tone = chosen || data.tones[Math.floor(Math.random() * data.tones.length)];
    [alone, cut].forEach((one) => one.setAttribute("aria-checked", "false"));
    after.hidden = true;
    told.textContent = "Listen: something grows under the talk. Which band is it in?";
    draw(null);
    const first = choices.querySelector("button:disabled");
    choices.querySelectorAll("button").forEach((one) => (one.disabled = false));
    const talk = await data.talk;
    graph = await play("a tone over speech", (context, out) => ringGraph(context, out, talk, tone));
    return first;
  }

  button.addEventListener("click", () => start());
  for (const [one, act] of [[alone, "alone"], [cut, "cut"]]) {
    one.addEventListener("click", async () => {
      const on = one.getAttribute("aria-checked") !== "true";
      one.setAttribute("aria-checked", String(on));
      if (!graph) {
        const talk = await data.talk;
        graph = await play("a tone over speech", (context, out) => ringGraph(context, out, talk, tone));
        if (alone.getAttribute("aria-checked") === "true") graph.alone(true);
        if (cut.getAttribute("aria-checked") === "true") graph.cut(true);
      } else graph[act](on);
    });
  }
  document.addEventListener("sound", (event) => {
    if (event.detail !== "a tone over speech") graph = null;
    button.textContent = tone ? "Next tone" : "Start a tone";
  });
  form.addEventListener("input", () => {
    offer();
    if (!after.hidden) draw(null);
    after.hidden = true;
    told.textContent = tone ? "Guess again among these bands." : "";
  });
  form.addEventListener("submit", (event) => event.preventDefault());
  offer();
  draw(null);
  return { start };
}
