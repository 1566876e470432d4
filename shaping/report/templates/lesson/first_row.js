// What the first row hears: wedge, mains or both; thinning by steps, on or off; as it is or equally
// loud. `hear` is wedge, mains or both; `level` is true or equal.
function firstRowGraph(context, out, programme, steps, state) {
  const levels = (now) => {
    const equal = now.level === "equal" && now.hear !== "mains";
    const gains_db = equal ? programme.equal_db[now.hear] : null;
    return {
      wedge: now.hear === "mains" ? 0 : 1,
      mains: now.hear === "wedge" ? 0 : 1,
      all: equal ? amplitude(gains_db[now.on ? now.step : 0]) : 1,
    };
  };
  const first = levels(state);
  const wedge = gainNode(context, first.wedge);
  const mains = gainNode(context, first.mains);
  const all = gainNode(context, first.all);
  const thinning = switchable(context, steps[state.step].sos, state.on);
  const sources = [looped(context, programme.wedge), looped(context, programme.mains)];
  sources[0].connect(thinning.input);
  thinning.output.connect(wedge).connect(all);
  sources[1].connect(mains).connect(all).connect(out);
  const start = context.currentTime;
  sources.forEach((source) => source.start(start));
  let step = state.step;
  return {
    apply(now) {
      const next = levels(now);
      if (now.step !== step) thinning.exchange(steps[now.step].sos);
      step = now.step;
      thinning.set(now.on);
      ramp(context, wedge.gain, next.wedge);
      ramp(context, mains.gain, next.mains);
      ramp(context, all.gain, next.all);
    },
    stop: (when) => sources.forEach((source) => source.stop(when)),
  };
}

function firstRow(section, data) {
  const form = section.querySelector("form");
  const slider = form.elements.step;
  const toggle = section.querySelector("[role=switch]");
  const spectrum = chart(section.querySelector("#spectrum"), {
    low_hz: 45, high_hz: 11000, low_db: -40, high_db: 0, step_db: 10, shade_hz: [112, 561],
  });
  const response = chart(section.querySelector("#response"), {
    low_hz: 31, high_hz: 16500, low_db: -18, high_db: 6, step_db: 6, shade_hz: [112, 561],
  });
  let graph = null;

  const state = () => ({
    programme: form.elements.programme.value,
    hear: form.elements.hear.value,
    level: form.elements.level.value,
    step: Number(slider.value),
    on: toggle.getAttribute("aria-checked") === "true",
  });
  const programme = () => data.programmes[state().programme];
  const put = (name, text) => (section.querySelector(`[data-show=${name}]`).textContent = text);

  function show() {
    const now = state();
    const step = data.steps[now.step];
    const { numbers, hz, mains_db, wedges_db } = programme();
    const found = numbers[now.step];
    put("name", step.name);
    put("settings", step.settings);
    put("spill", `${signed(found.spill_db)} dB`);
    put("together", `${signed(found.together_db)} dB`);
    put("words", `${found.words_before.toFixed(2)} \u2192 ${found.words_after.toFixed(2)}`);
    put("room-words", `${found.room_words_before.toFixed(2)} \u2192 ${found.room_words_after.toFixed(2)}`);
    put("seat", `${signed(found.seat_db)} dB`);
    put("most", `${signed(found.together_most_db)} dB`);
    slider.setAttribute(
      "aria-valuetext",
      `${step.name}; wedge alone ${signed(found.spill_db)} decibels, with mains ` +
        `${signed(found.together_db)}, words ${found.words_after.toFixed(2)}`,
    );
    const gain_db =
      now.level === "equal" && now.hear !== "mains"
        ? programme().equal_db[now.hear][now.on ? now.step : 0]
        : 0;
    put("gain", gain_db ? `Turned down by ${(-gain_db).toFixed(1)} dB so that all steps are equally loud.` : "");
    const thinned_db = wedges_db.map((db, at) => db + found.change_db[at]);
    spectrum.clear();
    spectrum.line(hz, mains_db, "mains");
    spectrum.line(hz, wedges_db, "before");
    spectrum.line(hz, thinned_db, "after");
    const over = hz.filter((one, at) => thinned_db[at] > mains_db[at]).length;
    spectrum.tell(
      `Levels in the first row by frequency, ${step.name} thinning. The thinned wedge is louder ` +
        `than the mains in ${over} of ${hz.length} bands; unthinned in ` +
        `${hz.filter((one, at) => wedges_db[at] > mains_db[at]).length}.`,
    );
    response.clear();
    response.line(data.response_hz, step.response_db, "after");
    response.tell(`What thinning does to the wedge: ${step.name}, ${step.settings}.`);
    if (graph) graph.apply(now);
  }

  async function start() {
    const sounds = programme();
    [sounds.wedge, sounds.mains] = await Promise.all([sounds.wedge, sounds.mains]);
    graph = await play("the first row", (context, out) =>
      firstRowGraph(context, out, programme(), data.steps, state()),
    );
  }

  const button = section.querySelector(".play");
  button.addEventListener("click", () => (graph ? stopSound() : start()));
  document.addEventListener("sound", (event) => {
    if (event.detail !== "the first row") graph = null;
    button.textContent = event.detail === "the first row" ? "Stop" : "Play";
  });
  toggle.addEventListener("click", () => {
    toggle.setAttribute("aria-checked", String(!state().on));
    show();
  });
  form.addEventListener("input", (event) => {
    if (event.target.name === "programme" && graph) start();
    if (event.target === slider) toggle.setAttribute("aria-checked", "true");
    show();
  });
  form.addEventListener("submit", (event) => event.preventDefault());
  show();
}
