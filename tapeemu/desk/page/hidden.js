// The hidden comparison of A, B and the dry stems: rendered here, brought to one loudness, played by the player that the
// comparison page has, asked for by its test.

// Integrated loudness of BS.1770-5 of stereo sound, gated.
const loudnessOf = (channels, rate) => {
  const shelfAndPass = () => {
    const filters = [];
    for (const [f0, q, vh, vb, pass] of [
      [1681.974450955533, 0.7071752369554196, 10 ** (3.999843853973347 / 20), (10 ** (3.999843853973347 / 20)) ** 0.4996667741545416, false],
      [38.13547087602444, 0.5003270373238773, 1, 1, true],
    ]) {
      const k = Math.tan((Math.PI * f0) / rate);
      const a0 = 1 + k / q + k * k;
      const b = pass ? [1, -2, 1] : [(vh + (vb * k) / q + k * k) / a0, (2 * (k * k - vh)) / a0, (vh - (vb * k) / q + k * k) / a0];
      filters.push({ b, a: [(2 * (k * k - 1)) / a0, (1 - k / q + k * k) / a0], s: [0, 0] });
    }
    return filters;
  };
  const hop = Math.round(rate / 10);
  const hops = new Float64Array(Math.ceil(channels[0].length / hop));
  for (const samples of channels) {
    const filters = shelfAndPass();
    for (let i = 0; i < samples.length; i += 1) {
      let value = samples[i];
      for (const { a, b, s } of filters) {
        const y = b[0] * value + s[0];
        s[0] = b[1] * value - a[0] * y + s[1];
        s[1] = b[2] * value - a[1] * y;
        value = y;
      }
      hops[Math.floor(i / hop)] += value * value;
    }
  }
  const blocks = [];
  for (let i = 0; i + 4 <= hops.length; i += 1) blocks.push((hops[i] + hops[i + 1] + hops[i + 2] + hops[i + 3]) / (4 * hop));
  const level = (power) => -0.691 + 10 * Math.log10(Math.max(power, 1e-20));
  const mean = (values) => (values.length ? sum(values) / values.length : 0);
  const loud = blocks.filter((power) => level(power) > -70);
  const gate = level(mean(loud)) - 10;
  return level(mean(loud.filter((power) => level(power) > gate)));
};

class HiddenComparison {
  constructor(desk) {
    this.desk = desk;
    this.names = ["A", "B", "dry"];
    at("begin").addEventListener("click", () => this.begin());
    for (const which of ["x", "y", "first", "second"]) at(`hear-${which}`).addEventListener("click", () => this.hear(which));
    for (const which of ["x", "y"]) at(`answer-${which}`).addEventListener("click", () => this.answer(which));
    at("abandon").addEventListener("click", () => this.finish(true));
    at("save-csv").addEventListener("click", () => saveText(answersAsCsv(this.plain), "text/csv", "answers.csv"));
    at("save-json").addEventListener("click", () => saveText(JSON.stringify(this.plain, null, 2), "application/json", "answers.json"));
  }

  say(text) {
    at("hidden-message").textContent = text;
  }

  async begin() {
    const [first, second] = [Number(at("first").value), Number(at("second").value)];
    const count = Number(at("count").value);
    if (first === second) return this.say("Choose two different sounds.");
    if (!(Number.isInteger(count) && count >= 5 && count <= 100)) return this.say("Choose 5 to 100 trials.");
    at("begin").disabled = true;
    try {
      this.desk.sound.pause();
      this.desk.paint();
      const wanted = [first, second];
      const mixes = [];
      for (const each of wanted) {
        mixes[each] = await this.desk.mixOf(each, (share) => this.say(`Rendering ${this.names[each]}: ${Math.round(100 * share)} %`));
      }
      const loudness = wanted.map((each) => loudnessOf(mixes[each], data.rate));
      const silent = wanted[loudness.findIndex((each) => each < -100)];
      if (silent !== undefined) {
        const short = mixes[silent][0].length < 0.4 * data.rate;
        throw new Error(short ? "The part is shorter than 0.4 s, too short for a loudness; choose a longer one." : `${this.names[silent]} is silent in this part, so its loudness cannot be matched; choose another part.`);
      }
      const target = Math.min(...loudness);
      wanted.forEach((each, index) => {
        const gain = Number.isFinite(loudness[index]) ? gainOf(target - loudness[index]) : 1;
        for (const side of mixes[each]) for (let i = 0; i < side.length; i += 1) side[i] *= gain;
      });
      this.start(first, second, count, mixes);
      this.say("");
    } catch (error) {
      this.say(error.message);
    }
    at("begin").disabled = false;
    return undefined;
  }

  start(first, second, count, mixes) {
    const frames = mixes[first][0].length;
    const seconds = frames / data.rate;
    this.player = new Player({
      rate: data.rate,
      seconds,
      count: 3,
      eager: 3,
      encoded: async (index) => {
        const buffer = new AudioBuffer({ length: frames, numberOfChannels: 2, sampleRate: data.rate });
        const mix = mixes[index] ?? [new Float32Array(frames), new Float32Array(frames)];
        mix.forEach((side, channel) => buffer.copyToChannel(side.subarray(0, frames), channel));
        return buffer;
      },
    });
    this.player.current = first;
    this.player.part = [0, seconds];
    this.player.setVolume(this.desk.sound.volumeDb);
    const named = (index) => this.names[index];
    this.test = new HiddenTest({ first, second, count, question: at("question").value, named, subject: data.stems.map((stem) => stem.name).join(", ") });
    const { prefers } = this.test;
    for (const [which, index] of [["first", first], ["second", second]]) {
      at(`hear-${which}`).textContent = `Hear ${named(index)}`;
      at(`hear-${which}`).hidden = prefers;
    }
    at("answer-x").textContent = prefers ? "I prefer X" : `X is ${named(first)}`;
    at("answer-y").textContent = prefers ? "I prefer Y" : `Y is ${named(first)}`;
    this.desk.blind(true);
    at("hidden-setup").hidden = true;
    at("hidden-result").hidden = true;
    at("hidden-run").hidden = false;
    this.showTrial();
    at("trial").focus();
  }

  showTrial() {
    at("trial").textContent = this.test.asked;
    this.hear("x");
  }

  hear(which) {
    if (!this.test) return;
    const { x, y, first, second } = this.test;
    for (const name of ["x", "y", "first", "second"]) at(`hear-${name}`).setAttribute("aria-pressed", String(name === which));
    this.test.heard += 1;
    const { player, test } = this;
    // Whoever answers at once may end the test, and close its player, before it has begun to play.
    const going = () => this.test === test;
    const play = () => (going() && !player.playing ? player.play() : null);
    player.choose({ x, y, first, second }[which]).then(play).catch((error) => (going() ? this.say(error.message) : null));
  }

  answer(which) {
    if (!this.test) return;
    this.test.answer(which);
    if (this.test.over) this.finish(false);
    else this.showTrial();
  }

  finish(early) {
    if (!this.test) return;
    const { text, note, plain } = this.test.result(early);
    this.plain = plain;
    this.test = null;
    this.player.pause();
    this.player.context?.close();
    this.desk.blind(false);
    at("result-text").textContent = text;
    at("result-note").textContent = note;
    at("result-rows").replaceChildren(...answerRows(plain));
    at("hidden-run").hidden = true;
    at("hidden-setup").hidden = false;
    at("hidden-result").hidden = false;
    at("result-title").focus();
  }
}
