// Sound: one context, made by a gesture. Whatever plays passes one ceiling, and one thing plays at
// a time. The same builders make the graph that is heard and the one that is rendered for tests.
const RATE_HZ = 48000;
const CEILING = 0.5; // 6 dB under full scale: nothing on this page passes it
const FADE_S = 0.02; // as short as a switch may be without a click

const amplitude = (db) => 10 ** (db / 20);

function decoded(base64) {
  const bytes = Uint8Array.from(atob(base64), (letter) => letter.charCodeAt(0));
  // An offline context needs no gesture, and gives the samples at the rate at which they play.
  return new OfflineAudioContext(1, 1, RATE_HZ).decodeAudioData(bytes.buffer);
}

function ceiling(context) {
  const shaper = context.createWaveShaper();
  shaper.curve = new Float32Array([-CEILING, -CEILING, 0, CEILING, CEILING]); // straight between
  shaper.connect(context.destination);
  return shaper;
}

function gainNode(context, value) {
  const node = context.createGain();
  node.gain.value = value;
  return node;
}

function ramp(context, param, value, seconds = FADE_S) {
  const now = context.currentTime;
  param.cancelScheduledValues(now);
  param.setValueAtTime(param.value, now);
  param.linearRampToValueAtTime(value, now + seconds);
}

function looped(context, buffer) {
  const source = context.createBufferSource();
  source.buffer = buffer;
  source.loop = true;
  return source;
}

// The plan's own second-order sections, one after another; `sos` holds them by sample rate.
function filtered(context, input, sos) {
  const rows = sos[context.sampleRate];
  if (!rows) throw new Error(`no filters for ${context.sampleRate} samples a second`);
  return rows.reduce((from, [b0, b1, b2, a0, a1, a2]) => {
    const section = context.createIIRFilter([b0, b1, b2], [a0, a1, a2]);
    from.connect(section);
    return section;
  }, input);
}

// Filters that can be switched and exchanged while they sound: coefficients of a node are fixed for
// life, so new ones fade in where the old ones fade out.
function switchable(context, sos, on) {
  const input = gainNode(context, 1);
  const output = gainNode(context, 1);
  const dry = gainNode(context, on ? 0 : 1);
  input.connect(dry).connect(output);
  let wet;
  const attach = (rows, level) => {
    const chain = filtered(context, input, rows);
    wet = gainNode(context, level);
    chain.connect(wet).connect(output);
  };
  attach(sos, on ? 1 : 0);
  return {
    input,
    output,
    set(next) {
      on = next;
      ramp(context, dry.gain, on ? 0 : 1);
      ramp(context, wet.gain, on ? 1 : 0);
    },
    exchange(rows) {
      const old = wet;
      attach(rows, 0);
      ramp(context, old.gain, 0);
      ramp(context, wet.gain, on ? 1 : 0);
      setTimeout(() => old.disconnect(), 200);
    },
  };
}

const player = { context: null, playing: null, turn: 0 };

// To be called in a handler of a tap or a key: browsers keep a page silent until then.
async function awake() {
  if (navigator.audioSession) navigator.audioSession.type = "playback"; // past a phone's side switch
  if (!player.context) player.context = new AudioContext({ sampleRate: RATE_HZ });
  if (player.context.state !== "running") await player.context.resume();
  return player.context;
}

// `build(context, out)` starts sources and returns { stop() }; `words` say what plays.
async function play(words, build) {
  stopSound();
  const turn = player.turn;
  const context = await awake();
  if (turn !== player.turn) return null;
  const out = gainNode(context, 0);
  out.connect(ceiling(context));
  const graph = build(context, out);
  ramp(context, out.gain, 1);
  player.playing = {
    end() {
      ramp(context, out.gain, 0);
      graph.stop(context.currentTime + 2 * FADE_S);
      setTimeout(() => out.disconnect(), 200);
    },
  };
  player.out = out;
  document.dispatchEvent(new CustomEvent("sound", { detail: words }));
  return graph;
}

function stopSound() {
  player.turn += 1;
  if (!player.playing) return;
  player.playing.end();
  player.playing = null;
  document.dispatchEvent(new CustomEvent("sound", { detail: "" }));
}

async function rendered(build, seconds) {
  const context = new OfflineAudioContext(1, Math.round(seconds * RATE_HZ), RATE_HZ);
  build(context, ceiling(context));
  return (await context.startRendering()).getChannelData(0);
}
