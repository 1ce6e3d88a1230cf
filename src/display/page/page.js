// The bench page. Numbers are shown as the daemon wrote them; they are parsed only to draw the beam.

const at = (id) => document.getElementById(id);
const bench = at("bench");

// Older than this is not shown as the weight: milliseconds.
const OLD = 1800;

const state = {
  step: null, // {step, of, phase, ingredient, target, low, high, scale}
  ahead: [],
  batch: null,
  cue: null,
  tare: null,
  reading: null,
  readAt: 0,
  beatAt: 0,
  mixSince: 0,
  gone: new Set(),
  problem: "",
};

const post = async (path, body) => {
  const answer = await fetch(path, {
    method: "POST",
    headers: { "Content-Type": "application/json" },
    body: JSON.stringify(body),
  });
  return answer.status === 204 ? { ok: true } : answer.json();
};

// --- The door -----------------------------------------------------------------------------------

async function enter(key) {
  const answer = await post("/enter", { key });
  at("door-says").textContent = answer.ok ? "" : answer.error;
  return answer.ok;
}

function showDoor() {
  at("door").hidden = false;
  bench.hidden = true;
  at("key").focus();
}

at("door").addEventListener("submit", async (event) => {
  event.preventDefault();
  if (await enter(at("key").value.trim())) {
    at("key").value = "";
    begin();
  }
});

// --- What the daemon says -----------------------------------------------------------------------

async function load() {
  const answer = await fetch("/status");
  if (answer.status === 401) return false;
  const said = await answer.json();
  const status = said.status ?? {};
  state.batch = said.batch ?? null;
  state.ahead = status.ahead ?? [];
  state.tare = status.tare ?? null;
  const scale = state.step?.scale ?? null;
  state.step =
    state.batch && status.step
      ? {
          step: status.step,
          of: status.of,
          phase: status.phase,
          ingredient: status.ingredient,
          target: status.target,
          low: status.low,
          high: status.high,
          scale: state.step?.step === status.step ? scale : null,
        }
      : null;
  state.cue = { ...(state.cue ?? { choices: [], cue: "", urgent: false }), say: status.say ?? "" };
  state.gone = new Set(
    (status.scales ?? []).filter((one) => one.line !== "open").map((one) => one.name),
  );
  at("batch").textContent = state.batch ? `${status.formula ?? ""} · ${state.batch}` : "";
  draw();
  return true;
}

const heard = {
  cue(event) {
    state.cue = event;
    if (event.cue === "mix" && !state.mixSince) state.mixSince = Date.now();
    if (event.cue !== "mix" && event.cue !== "fault") state.mixSince = 0;
    sound(event.cue);
  },
  reading(event) {
    if (state.step?.scale && event.scale !== state.step.scale) return;
    state.reading = event;
    state.readAt = Date.now();
  },
  step(event) {
    state.step = event;
    state.reading = null;
    load();
  },
  tare(event) {
    state.tare = event.state;
  },
  recorded() {},
  closed() {
    state.mixSince = 0;
    load();
  },
  fault(event) {
    if (event.code !== "silent" && event.code !== "lost") return;
    if (event.over) state.gone.delete(event.scale);
    else state.gone.add(event.scale);
  },
};

function follow() {
  const source = new EventSource("/events");
  source.addEventListener("open", () => {
    state.beatAt = Date.now();
    state.reading = null;
    load();
  });
  source.addEventListener("beat", () => {
    state.beatAt = Date.now();
  });
  source.addEventListener("message", (message) => {
    state.beatAt = Date.now();
    const event = JSON.parse(message.data);
    heard[event.event]?.(event);
    draw();
  });
  source.addEventListener("error", async () => {
    if (source.readyState !== EventSource.CLOSED) return;
    source.close();
    const answer = await fetch("/status").catch(() => null);
    if (answer?.status === 401) showDoor();
    else setTimeout(follow, 1000);
  });
}

// --- The picture --------------------------------------------------------------------------------

const plain = (text) => text.replace(/^-/, "");

function text(id, words) {
  // A live region speaks when its text is set, even to the same.
  if (at(id).textContent !== words) at(id).textContent = words;
}

function draw() {
  const now = Date.now();
  const noDaemon = now - state.beatAt > OLD;
  const { step, cue } = state;
  const scaleGone = step ? state.gone.has(step.scale) || (!step.scale && state.gone.size > 0) : false;
  const old = noDaemon || scaleGone || now - state.readAt > OLD;
  const reading = old ? null : state.reading;
  bench.classList.toggle("old", old && step !== null);
  bench.classList.toggle("urgent", Boolean(cue?.urgent));

  const lost = noDaemon
    ? "No connection to bismar. What is recorded is safe; this page comes back by itself."
    : step && old
      ? "No weight from the scale. Look at its switch and its cable."
      : "";
  text("lost", lost);
  at("lost").hidden = !lost;

  text("where", step ? `${step.phase} · step ${step.step} of ${step.of}` : "No batch is under way");
  text("ingredient", step ? step.ingredient : "bismar");
  text("say", noDaemon ? "" : cue?.say || (step ? "" : "Begin a batch with bismar begin."));
  at("say").setAttribute("aria-live", cue?.urgent ? "assertive" : "polite");
  text("tare", noDaemon ? "not known" : (state.tare ?? "–"));
  text("shown", reading ? `${reading.weight} g${reading.steady ? ", at rest" : ""}` : "–");
  at("now").hidden = !step;
  at("beside").hidden = !step;
  at("stop").hidden = !step;
  drawAmount(step, reading, old);
  drawAhead();
  drawChoices(noDaemon ? [] : (cue?.choices ?? []), cue?.cue === "mix");
}

function drawAmount(step, reading, old) {
  if (!step) return;
  at("beam").classList.toggle("away", state.mixSince > 0);
  if (state.mixSince) {
    const seconds = Math.floor((Date.now() - state.mixSince) / 1000);
    text("ingredient", "Mix");
    text("digits", `${Math.floor(seconds / 60)}:${String(seconds % 60).padStart(2, "0")}`);
    text("meaning", "since it was weighed");
    text("reach", "");
    return;
  }
  const [low, high] = [Number(step.low), Number(step.high)];
  const net = reading?.net == null ? null : Number(reading.net);
  let digits = step.target;
  let meaning = "g to weigh";
  let reach = "";
  const inside = net !== null && net >= low && net <= high;
  if (old) {
    digits = "–";
    meaning = "no weight now";
  } else if (net !== null && reading.missing != null) {
    digits = plain(reading.missing);
    meaning = reading.missing.startsWith("-") ? "g too much" : "g still to go";
    reach = inside ? "Inside the window" : net > high ? "Over the window" : "Below the window";
    if (inside) meaning = reading.missing.startsWith("-") ? "g over the middle" : "g to the middle";
  }
  text("digits", digits);
  text("meaning", meaning);
  text("reach", reach);
  bench.classList.toggle("inside", inside && !old);
  // The gate stands at nine tenths of the arm; it is never drawn too narrow to see.
  const scale = 900 / ((low + high) / 2 || 1);
  const gate = Math.max((high - low) * scale, 34);
  const left = 900 - gate / 2;
  at("gate-room").setAttribute("x", left);
  at("gate-room").setAttribute("width", gate);
  at("post-low").setAttribute("x", left - 6);
  at("post-high").setAttribute("x", left + gate);
  const place = beamPlace(net, low, high, left, gate);
  at("done").setAttribute("width", place);
  at("poise").setAttribute("transform", `translate(${place} 0)`);
  at("beam").setAttribute("aria-label", reach || "Nothing weighed yet");
}

// Where the poise stands: in the gate exactly when the weight is inside, whatever the gate's width.
function beamPlace(net, low, high, left, gate) {
  if (net === null || net <= 0) return 0;
  if (net < low) return (net / low) * left;
  if (net <= high) return left + ((net - low) / (high - low || 1)) * gate;
  return Math.min(left + gate + 8 + ((net - high) / high) * 300, 1000);
}

function drawAhead() {
  // While it is mixed, the step that is announced already comes after.
  const next = state.mixSince && state.step ? [state.step, ...state.ahead].slice(0, 2) : state.ahead;
  const words = next.map((one) => `${one.target} g ${one.ingredient}`);
  at("ahead-name").hidden = words.length === 0;
  const list = at("ahead");
  if (list.dataset.words === words.join("\n")) return;
  list.dataset.words = words.join("\n");
  list.replaceChildren(
    ...words.map((word) => {
      const item = document.createElement("li");
      item.textContent = word;
      return item;
    }),
  );
}

const WORDS = { next: "Next", again: "Begin this step again", keep: "Keep it so" };

function drawChoices(choices, mixing) {
  const wanted = mixing && !choices.includes("next") ? ["next", ...choices] : choices;
  const box = at("choices");
  if (box.dataset.wanted === wanted.join()) return;
  box.dataset.wanted = wanted.join();
  box.replaceChildren(
    ...wanted.map((word) => {
      const button = document.createElement("button");
      button.type = "button";
      button.textContent = WORDS[word] ?? word;
      button.addEventListener("click", () => say(word));
      return button;
    }),
  );
}

async function say(word) {
  const answer = await post("/do", { do: word }).catch(() => ({ ok: false, error: "bismar does not answer." }));
  if (!answer.ok) text("say", answer.error);
}

let stopArmed = 0;
at("stop").addEventListener("click", () => {
  if (Date.now() - stopArmed < 4000) {
    stopArmed = 0;
    say("stop");
  } else {
    stopArmed = Date.now();
  }
});

// --- Sound and screen ---------------------------------------------------------------------------

let audio = null;
// Heights in hertz, one after the other.
const TUNES = {
  place: [330, 330],
  add: [440],
  "ease-off": [660, 660, 660],
  hold: [523],
  "take-out": [523, 392],
  lift: [392, 523],
  mix: [392, 494, 587],
  choose: [587, 440, 587],
  fault: [220, 185, 220],
  done: [392, 494, 587, 784],
};

function sound(kind) {
  if (!audio || !TUNES[kind]) return;
  TUNES[kind].forEach((height, n) => {
    const tone = audio.createOscillator();
    const volume = audio.createGain();
    const start = audio.currentTime + n * 0.16;
    tone.frequency.value = height;
    volume.gain.setValueAtTime(0.25, start);
    volume.gain.exponentialRampToValueAtTime(0.001, start + 0.15);
    tone.connect(volume).connect(audio.destination);
    tone.start(start);
    tone.stop(start + 0.16);
  });
}

at("sound").addEventListener("click", () => {
  audio = audio ? null : new AudioContext();
  at("sound").setAttribute("aria-pressed", String(Boolean(audio)));
  text("sound", audio ? "Sound is on" : "Sound is off");
  sound("add");
});

let lock = null;
async function stayAwake() {
  if (!("wakeLock" in navigator) || document.visibilityState !== "visible") return;
  if (state.step && !lock) {
    lock = await navigator.wakeLock.request("screen").catch(() => null);
    lock?.addEventListener("release", () => (lock = null));
  } else if (!state.step && lock) {
    lock.release();
  }
}
document.addEventListener("visibilitychange", stayAwake);

// --- Begin --------------------------------------------------------------------------------------

async function begin() {
  state.beatAt = Date.now();
  state.readAt = Date.now();
  if (!(await load())) return showDoor();
  at("door").hidden = true;
  bench.hidden = false;
  follow();
}

setInterval(() => {
  draw();
  stayAwake();
  text("stop", Date.now() - stopArmed < 4000 ? "Press again to stop the batch" : "Stop the batch");
}, 250);

const key = location.hash.slice(1);
if (key) {
  // Out of the address bar and the history.
  history.replaceState(null, "", location.pathname);
  if (await enter(key)) begin();
  else showDoor();
} else {
  begin();
}
