"use strict";
(() => {
  const data = JSON.parse(document.getElementById("report-data").textContent);
  const nonce = document.currentScript.nonce;
  const at = (id) => document.getElementById(id);

  // ---------------------------------------------------------------- sound
  // All sounds run together from one origin; only their gains differ. So a switch is a short crossfade
  // between signals that are aligned to the sample, and nothing ever stops.
  const FADE = 0.006;
  const AHEAD = 0.06;

  class Player {
    constructor() {
      this.context = null;
      this.buffers = new Map();
      this.loading = new Map();
      this.voices = new Map();
      this.current = 1;
      this.playing = false;
      this.origin = 0;
      this.offset = 0;
      this.part = null;
      this.decibels = -10;
      this.changed = () => {};
      this.failed = () => {};
      this.generation = 0;
    }

    prepare() {
      if (this.context) return;
      const Context = window.AudioContext || window.webkitAudioContext;
      if (!Context) throw new Error("this browser has no Web Audio");
      try {
        this.context = new Context({ sampleRate: data.rate });
      } catch {
        this.context = new Context();
      }
      this.master = this.context.createGain();
      this.master.gain.value = 10 ** (this.decibels / 20);
      this.master.connect(this.context.destination);
    }

    setVolume(decibels) {
      this.decibels = decibels;
      if (this.context) this.master.gain.setTargetAtTime(10 ** (decibels / 20), this.context.currentTime, 0.02);
    }

    // Encoded audio stands in the page, or in scripts beside it, which a page opened from disk may load.
    async encoded(index) {
      const inside = at(`audio-${index}`);
      if (inside) return inside.textContent;
      return new Promise((resolve, reject) => {
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
    }

    load(index) {
      if (!this.loading.has(index)) {
        const work = this.encoded(index).then(async (text) => {
          const raw = atob(text);
          const bytes = new Uint8Array(raw.length);
          for (let i = 0; i < raw.length; i += 1) bytes[i] = raw.charCodeAt(i);
          const buffer = await this.context.decodeAudioData(bytes.buffer);
          this.buffers.set(index, buffer);
        });
        work.catch(() => this.loading.delete(index));
        this.loading.set(index, work);
      }
      return this.loading.get(index);
    }

    get seconds() {
      return data.seconds;
    }

    onGrid(seconds) {
      return Math.round(seconds * this.context.sampleRate) / this.context.sampleRate;
    }

    placeAt(time) {
      const place = this.offset + Math.max(time - this.origin, 0);
      if (!this.part || place < this.part[1]) return place;
      const [from, to] = this.part;
      return from + ((place - from) % (to - from));
    }

    get place() {
      if (!this.playing) return this.offset;
      return Math.min(this.placeAt(this.context.currentTime), this.seconds);
    }

    addVoice(index, when, offset) {
      const source = this.context.createBufferSource();
      const gain = this.context.createGain();
      source.buffer = this.buffers.get(index);
      if (this.part) {
        source.loop = true;
        [source.loopStart, source.loopEnd] = this.part;
      }
      gain.gain.value = 0;
      source.connect(gain).connect(this.master);
      source.start(when, offset);
      this.voices.set(index, { source, gain });
      return { source, gain };
    }

    fade(gain, to, when = this.context.currentTime) {
      const from = gain.gain.value;
      gain.gain.cancelScheduledValues(when);
      gain.gain.setValueAtTime(from, when);
      gain.gain.linearRampToValueAtTime(to, when + FADE);
    }

    silence() {
      const now = this.context.currentTime;
      for (const { source, gain } of this.voices.values()) {
        source.onended = null;
        this.fade(gain, 0, now);
        source.stop(now + 2 * FADE);
      }
      this.voices.clear();
    }

    // Begin all sounds at a place, at one moment a little ahead.
    begin(place) {
      if (this.voices.size) this.silence();
      let start = Math.min(Math.max(place, 0), this.seconds);
      if (this.part && (start < this.part[0] || start >= this.part[1])) start = this.part[0];
      if (start >= this.seconds) start = 0;
      this.offset = this.onGrid(start);
      this.origin = this.onGrid(this.context.currentTime + AHEAD);
      for (const index of this.buffers.keys()) {
        const { source, gain } = this.addVoice(index, this.origin, this.offset);
        if (index === this.current) this.fade(gain, 1, this.origin);
        if (index === this.current) source.onended = () => this.ended(source);
      }
      this.playing = true;
    }

    ended(source) {
      if (![...this.voices.values()].some((voice) => voice.source === source)) return;
      this.voices.clear();
      this.playing = false;
      this.offset = 0;
      this.changed();
    }

    async play() {
      const generation = (this.generation += 1);
      this.prepare();
      if (this.context.state !== "running") await this.context.resume();
      await this.load(this.current);
      if (generation !== this.generation) return;
      this.begin(this.offset);
      this.changed();
      if (data.tracks.length <= data.eager) this.loadRest();
    }

    async loadRest() {
      for (let index = 0; index < data.tracks.length; index += 1) {
        try {
          await this.load(index);
          this.join(index);
        } catch (error) {
          this.failed(error);
        }
      }
    }

    // A sound that is decoded while others run starts at the place where they are. Returns when it runs.
    join(index) {
      const now = this.context.currentTime;
      if (!this.playing || this.voices.has(index) || !this.buffers.has(index)) return now;
      const when = this.onGrid(this.context.currentTime + AHEAD);
      const offset = this.onGrid(this.placeAt(when));
      if (offset < this.seconds) this.addVoice(index, when, offset);
      return when;
    }

    pause() {
      this.generation += 1;
      if (!this.playing) return;
      this.offset = this.place;
      this.silence();
      this.playing = false;
      this.changed();
    }

    go(place) {
      const there = Math.min(Math.max(place, 0), this.seconds);
      if (this.playing) this.begin(there);
      else this.offset = there;
      this.changed();
    }

    setPart(part) {
      const here = this.place;
      this.part = part && this.context ? part.map((x) => this.onGrid(x)) : part;
      if (this.playing) this.begin(here);
      this.changed();
    }

    async choose(index) {
      this.current = index;
      this.changed();
      if (!this.context) return;
      if (!this.buffers.has(index)) {
        await this.load(index);
        if (this.current !== index) return;
      }
      if (!this.playing) return;
      const when = this.join(index);
      for (const [other, { source, gain }] of this.voices) {
        this.fade(gain, other === index ? 1 : 0, when);
        source.onended = other === index ? () => this.ended(source) : null;
      }
    }
  }

  const player = new Player();
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
  const coin = () => {
    const bits = new Uint8Array(1);
    crypto.getRandomValues(bits);
    return bits[0] & 1;
  };
  const named = (index) => `${data.tracks[index].number} ${data.tracks[index].label}`;

  // Probability of `right` or more successes in `count` tosses of a fair coin.
  const tail = (right, count) => {
    let term = 0.5 ** count;
    let sum = 0;
    for (let k = 0; k <= count; k += 1) {
      if (k >= right) sum += term;
      term *= (count - k) / (k + 1);
    }
    return Math.min(sum, 1);
  };

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

  const nextTrial = () => {
    const swapped = coin();
    test.x = swapped ? test.second : test.first;
    test.y = swapped ? test.first : test.second;
    test.heard = 0;
    test.since = performance.now();
    at("trial-title").textContent = `Trial ${test.answers.length + 1} of ${test.count}`;
    at("trial-status").textContent =
      test.question === "which"
        ? `Trial ${test.answers.length + 1} of ${test.count}. Which of X and Y is ${named(test.first)}?`
        : `Trial ${test.answers.length + 1} of ${test.count}. Which of X and Y do you prefer?`;
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
    test = { first, second, count, question: at("question").value, answers: [], began: new Date().toISOString() };
    at("blind-result").hidden = true;
    const prefers = test.question === "prefer";
    at("hear-first").textContent = `Hear ${named(first)}`;
    at("hear-second").textContent = `Hear ${named(second)}`;
    at("hear-first").hidden = prefers;
    at("hear-second").hidden = prefers;
    at("answer-x").textContent = prefers ? "I prefer X" : `X is ${named(first)}`;
    at("answer-y").textContent = prefers ? "I prefer Y" : `Y is ${named(first)}`;
    setUp(true);
    nextTrial();
    at("trial-title").focus();
  });

  const answer = (which) => {
    if (!test) return;
    const chosen = which === "x" ? test.x : test.y;
    test.answers.push({
      trial: test.answers.length + 1,
      x: test.x,
      y: test.y,
      answer: which.toUpperCase(),
      chosen,
      switches: test.heard,
      seconds: Math.round((performance.now() - test.since) / 100) / 10,
    });
    if (test.answers.length >= test.count) finish(false);
    else nextTrial();
  };

  let result = null;
  const finish = (early) => {
    const done = test.answers.length;
    const hits = test.answers.filter((one) => one.chosen === test.first).length;
    const prefers = test.question === "prefer";
    const p = prefers ? Math.min(1, 2 * tail(Math.max(hits, done - hits), done)) : tail(hits, done);
    const probability = p < 0.0001 ? "p under 0.0001" : `p = ${p.toFixed(4)}`;
    let text;
    let note;
    if (!done) {
      text = "No trial was answered.";
      note = "";
    } else if (prefers) {
      text = `${named(test.first)} was preferred ${hits} times, ${named(test.second)} ${done - hits} times, in ${done} trials: ${probability} (binomial, two-sided).`;
      note = p < 0.05
        ? "A preference as one-sided as this would be rare by chance: under 5 % of such tests."
        : "Chance alone would often give such a result; this test shows no preference.";
    } else {
      text = `${hits} of ${done} right: ${probability} (binomial, one-sided: the probability of as many or more by guessing).`;
      note = p < 0.05
        ? "By guessing alone this would be rare, under 5 % of such tests: you can tell the two apart."
        : "Guessing would often do as well; this test does not show that you can tell the two apart, nor that you cannot.";
    }
    if (early && done) note += " The test was ended early; a p-value is valid only where the number of trials was settled before.";
    result = {
      stem: data.name,
      first: named(test.first),
      second: named(test.second),
      question: prefers ? "which is preferred" : "which is the first",
      trials_planned: test.count,
      trials_answered: done,
      first_chosen: hits,
      p_value: done ? p : null,
      p_value_kind: prefers ? "binomial, two-sided" : "binomial, one-sided",
      ended_early: early,
      began: test.began,
      ended: new Date().toISOString(),
      answers: test.answers.map((one) => ({
        trial: one.trial,
        x: named(one.x),
        y: named(one.y),
        answer: one.answer,
        chosen: named(one.chosen),
        right: prefers ? null : one.chosen === test.first,
        switches: one.switches,
        seconds: one.seconds,
      })),
    };
    at("result-text").textContent = text;
    at("result-note").textContent = note;
    at("right-head").textContent = prefers ? "Preferred" : "Right";
    at("result-rows").replaceChildren(
      ...result.answers.map((one) => {
        const row = document.createElement("tr");
        const cells = [one.trial, one.x, one.y, one.answer, prefers ? one.chosen : one.right ? "yes" : "no", one.seconds];
        cells.forEach((value, place) => {
          const cell = document.createElement("td");
          cell.textContent = value;
          if (place > 0 && place < 5) cell.className = "text";
          row.append(cell);
        });
        return row;
      }),
    );
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

  const save = (text, kind, ending) => {
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: kind }));
    link.download = `answers.${ending}`;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
  };
  // Text that a spreadsheet would take for a formula is kept text by an apostrophe.
  const field = (value) => {
    const text = value === null ? "" : String(value);
    return `"${(/^[=+\-@\t\r]/.test(text) ? "'" : "") + text.replaceAll('"', '""')}"`;
  };
  at("save-csv").addEventListener("click", () => {
    const { answers, ...whole } = result;
    const names = [...Object.keys(answers[0] || { trial: 0 }), ...Object.keys(whole)];
    const lines = answers.map((one) => names.map((name) => field({ ...whole, ...one }[name])).join(","));
    save(`${[names.join(","), ...lines].join("\r\n")}\r\n`, "text/csv", "csv");
  });
  at("save-json").addEventListener("click", () => save(JSON.stringify(result, null, 2), "application/json", "json"));

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
})();
