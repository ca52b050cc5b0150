// The page of a comparison; what it shares with other pages stands in tapeemu/pages.
const data = JSON.parse(document.getElementById("report-data").textContent);
const nonce = document.currentScript.nonce;
const at = (id) => document.getElementById(id);

// ---------------------------------------------------------------- sound
// Encoded audio stands in the page, or in scripts beside it, which a page opened from disk may load.
const encoded = async (index) => {
  const inside = at(`audio-${index}`);
  const text = inside ? inside.textContent : await beside(index);
  return Uint8Array.from(atob(text), (character) => character.charCodeAt(0)).buffer;
};
const beside = (index) =>
  new Promise((resolve, reject) => {
    const script = document.createElement("script");
    script.nonce = nonce;
    script.src = data.tracks[index].file.split("/").map(encodeURIComponent).join("/");
    script.onload = () => {
      const text = (window.tapeemuAudio || {})[index];
      if (text) {
        delete window.tapeemuAudio[index];
        script.remove();
        resolve(text);
      } else {
        reject(new Error(`${data.tracks[index].file} does not hold the sound`));
      }
    };
    script.onerror = () => reject(new Error(`${data.tracks[index].file} is missing; it must lie beside this page`));
    document.head.append(script);
  });

const player = new Player({ rate: data.rate, seconds: data.seconds, count: data.tracks.length, eager: data.eager, encoded });
window.tapeemuReport = { player };

// ---------------------------------------------------------------- the player's controls
const radios = new Map([...document.querySelectorAll('input[name="track"]')].map((one) => [Number(one.value), one]));
const shown = (seconds) => `${seconds.toFixed(1)} s`;
let dragging = false;
let test = null;

const say = (error) => {
  at("player-message").textContent = error ? `The sound cannot be played: ${error.message || error}.` : "";
};
player.failed = say;
const attempt = (promise) => promise.then(() => say(null), say);

// What is drawn stands out for the sound that is heard, but not while a test hides which that is.
const mark = () => {
  const hidden = Boolean(test);
  for (const one of document.querySelectorAll("[data-track]")) {
    const on = !hidden && Number(one.dataset.track) === player.current;
    if (on && !one.classList.contains("on")) one.parentNode.prepend(one);
    one.classList.toggle("on", on);
  }
  for (const [index, radio] of radios) {
    const alike = radio.closest(".alike");
    if (alike && index === player.current && !hidden) alike.open = true;
  }
};

const drawPlace = () => {
  const place = player.place;
  const x = (place / player.seconds) * data.points;
  at("strip-place").setAttribute("x1", x);
  at("strip-place").setAttribute("x2", x);
  if (!dragging) at("place").value = place;
  at("place").setAttribute("aria-valuetext", `${place.toFixed(1)} of ${player.seconds.toFixed(1)} seconds`);
  at("place-text").textContent = `${shown(place)} of ${shown(player.seconds)}`;
};
const frame = () => {
  drawPlace();
  if (player.playing) requestAnimationFrame(frame);
};
const drawPart = () => {
  const from = Number(at("from").value);
  const to = Number(at("to").value);
  const scale = data.points / player.seconds;
  at("strip-part").setAttribute("x", from * scale);
  at("strip-part").setAttribute("width", at("loop").checked ? Math.max(to - from, 0) * scale : 0);
};
player.changed = () => {
  at("play").textContent = player.playing ? "Pause" : "Play";
  mark();
  drawPlace();
  if (player.playing) requestAnimationFrame(frame);
};

const toggle = () => {
  if (player.playing) player.pause();
  else attempt(player.play());
};
const usePart = () => {
  const from = Math.min(Math.max(Number(at("from").value) || 0, 0), player.seconds);
  let to = Math.min(Math.max(Number(at("to").value) || 0, 0), player.seconds);
  if (to < from + 0.05) to = Math.min(from + 0.05, player.seconds);
  if (to - from < 0.05) at("from").value = (player.seconds - 0.05).toFixed(2);
  else at("from").value = from.toFixed(2);
  at("to").value = to.toFixed(2);
  player.setPart(at("loop").checked ? [Number(at("from").value), Number(at("to").value)] : null);
  drawPart();
};

at("play").addEventListener("click", toggle);
at("back").addEventListener("click", () => player.go(player.part ? player.part[0] : 0));
at("volume").addEventListener("input", (event) => {
  const decibels = Number(event.target.value);
  event.target.setAttribute("aria-valuetext", `${decibels} dB`);
  player.setVolume(decibels);
});
radios.forEach((radio, index) => radio.addEventListener("change", () => attempt(player.choose(index))));
at("place").addEventListener("input", (event) => {
  dragging = true;
  player.go(Number(event.target.value));
});
at("place").addEventListener("change", () => {
  dragging = false;
});
for (const id of ["loop", "from", "to"]) at(id).addEventListener("change", usePart);
const beginHere = () => {
  at("from").value = player.place.toFixed(2);
  at("loop").checked = true;
  usePart();
};
const endHere = () => {
  at("to").value = player.place.toFixed(2);
  at("loop").checked = true;
  usePart();
};
at("from-here").addEventListener("click", beginHere);
at("to-here").addEventListener("click", endHere);

// Drawing across the outline sets the part, a tap moves the position.
const strip = at("strip");
const secondsAt = (event) => {
  const box = strip.getBoundingClientRect();
  return Math.min(Math.max((event.clientX - box.left) / box.width, 0), 1) * player.seconds;
};
let began = null;
strip.addEventListener("pointerdown", (event) => {
  began = { x: event.clientX, seconds: secondsAt(event) };
  strip.setPointerCapture(event.pointerId);
});
strip.addEventListener("pointerup", (event) => {
  if (!began) return;
  const ends = [began.seconds, secondsAt(event)].sort((a, b) => a - b);
  if (Math.abs(event.clientX - began.x) < 6) {
    player.go(ends[0]);
  } else {
    at("from").value = ends[0].toFixed(2);
    at("to").value = ends[1].toFixed(2);
    at("loop").checked = true;
    usePart();
  }
  began = null;
});
strip.addEventListener("pointercancel", () => {
  began = null;
});

// ---------------------------------------------------------------- the blind test
const named = (index) => `${data.tracks[index].number} ${data.tracks[index].label}`;

const hear = (what) => {
  if (!test) return;
  const index = { x: test.x, y: test.y, first: test.first, second: test.second }[what];
  if (test.question === "prefer" && (what === "first" || what === "second")) return;
  for (const name of ["x", "y", "first", "second"]) {
    at(`hear-${name}`).setAttribute("aria-pressed", String(name === what));
  }
  test.heard += 1;
  attempt(player.choose(index).then(() => (player.playing ? null : player.play())));
};

const showTrial = () => {
  at("trial-title").textContent = `Trial ${test.answers.length + 1} of ${test.count}`;
  at("trial-status").textContent = test.asked;
  hear("x");
};

const setUp = (running) => {
  at("named").disabled = running;
  if (running) radios.forEach((radio) => { radio.checked = false; });
  mark();
  at("blind-setup").hidden = running;
  at("blind-run").hidden = !running;
};

at("begin").addEventListener("click", () => {
  const first = Number(at("first").value);
  const second = Number(at("second").value);
  const count = Math.round(Number(at("count").value));
  let message = "";
  if (first === second) message = "Choose two different sounds.";
  if (!(count >= 5 && count <= 100)) message = "Choose 5 to 100 trials.";
  at("trial-message").textContent = message;
  if (message) return;
  test = new HiddenTest({ first, second, count, question: at("question").value, named, subject: data.name });
  at("blind-result").hidden = true;
  const { prefers } = test;
  at("hear-first").textContent = `Hear ${named(first)}`;
  at("hear-second").textContent = `Hear ${named(second)}`;
  at("hear-first").hidden = prefers;
  at("hear-second").hidden = prefers;
  at("answer-x").textContent = prefers ? "I prefer X" : `X is ${named(first)}`;
  at("answer-y").textContent = prefers ? "I prefer Y" : `Y is ${named(first)}`;
  setUp(true);
  showTrial();
  at("trial-title").focus();
});

const answer = (which) => {
  if (!test) return;
  test.answer(which);
  if (test.over) finish(false);
  else showTrial();
};

let result = null;
const finish = (early) => {
  const { prefers } = test;
  const { text, note, plain } = test.result(early);
  result = plain;
  at("result-text").textContent = text;
  at("result-note").textContent = note;
  at("right-head").textContent = prefers ? "Preferred" : "Right";
  at("result-rows").replaceChildren(...answerRows(result));
  test = null;
  player.pause();
  setUp(false);
  player.current = 1;
  radios.get(1).checked = true;
  mark();
  at("blind-result").hidden = false;
  at("result-title").focus();
};

at("answer-x").addEventListener("click", () => answer("x"));
at("answer-y").addEventListener("click", () => answer("y"));
at("abandon").addEventListener("click", () => finish(true));
for (const name of ["x", "y", "first", "second"]) at(`hear-${name}`).addEventListener("click", () => hear(name));
at("again").addEventListener("click", () => {
  at("blind-result").hidden = true;
  at("begin").focus();
});

at("save-csv").addEventListener("click", () => saveText(answersAsCsv(result), "text/csv", "answers.csv"));
at("save-json").addEventListener("click", () => saveText(JSON.stringify(result, null, 2), "application/json", "answers.json"));

// ---------------------------------------------------------------- keys
document.addEventListener("keydown", (event) => {
  if (!at("keys").checked || event.ctrlKey || event.metaKey || event.altKey) return;
  const focus = event.target;
  const typing = focus.matches('input[type="number"], select, textarea');
  const pressing = focus.matches("button, summary, a, input");
  if (typing || (event.key === " " && pressing)) return;
  const key = event.key.toLowerCase();
  const act = {
    " ": toggle,
    p: toggle,
    l: () => {
      at("loop").checked = !at("loop").checked;
      usePart();
    },
    ",": () => player.go(player.place - 1),
    ".": () => player.go(player.place + 1),
    "[": beginHere,
    "]": endHere,
    x: () => hear("x"),
    y: () => hear("y"),
  }[key];
  if (act) {
    act();
  } else if (/^[0-9]$/.test(key)) {
    if (test) {
      if (key === "1") hear("first");
      if (key === "2") hear("second");
    } else {
      const index = data.tracks.findIndex((track) => String(track.number) === key);
      if (index < 0) return;
      radios.get(index).checked = true;
      attempt(player.choose(index));
    }
  } else {
    return;
  }
  event.preventDefault();
});

// ---------------------------------------------------------------- what is folded opens when it is asked for
const unfold = () => {
  const fold = location.hash.length > 1 && document.getElementById(decodeURIComponent(location.hash.slice(1)));
  const details = fold && fold.querySelector(":scope > details");
  if (details && !details.open) {
    details.open = true;
    fold.scrollIntoView();
  }
};
window.addEventListener("hashchange", unfold);
for (const link of document.querySelectorAll('nav a')) link.addEventListener("click", () => setTimeout(unfold));
unfold();

drawPlace();
