// A test of two sounds that are hidden behind X and Y: its arrangement, its answers, and what they are worth.

// One bit from the browser's own source of chance.
const coin = () => {
  const bits = new Uint8Array(1);
  crypto.getRandomValues(bits);
  return bits[0] & 1;
};

// Probability of `right` or more successes in `count` tosses of a fair coin.
const binomialTail = (right, count) => {
  let term = 0.5 ** count;
  let sum = 0;
  for (let k = 0; k <= count; k += 1) {
    if (k >= right) sum += term;
    term *= (count - k) / (k + 1);
  }
  return Math.min(sum, 1);
};

// Text that a spreadsheet would take for a formula is kept text by an apostrophe.
const csvField = (value) => {
  const text = value === null ? "" : String(value);
  return `"${(/^[=+\-@\t\r]/.test(text) ? "'" : "") + text.replaceAll('"', '""')}"`;
};

const saveText = (text, kind, name) => {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: kind }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10_000);
};

class HiddenTest {
  // first, second: numbers of the sounds; question: "which" or "prefer"; named: number to name; subject: what is heard.
  constructor({ first, second, count, question, named, subject }) {
    Object.assign(this, { first, second, count, question, named, subject });
    this.answers = [];
    this.began = new Date().toISOString();
    this.draw();
  }

  get prefers() {
    return this.question === "prefer";
  }

  get over() {
    return this.answers.length >= this.count;
  }

  draw() {
    const swapped = coin();
    this.x = swapped ? this.second : this.first;
    this.y = swapped ? this.first : this.second;
    this.heard = 0;
    this.since = performance.now();
  }

  get asked() {
    const head = `Trial ${this.answers.length + 1} of ${this.count}. Which of X and Y`;
    return this.prefers ? `${head} do you prefer?` : `${head} is ${this.named(this.first)}?`;
  }

  // Answer x or y; the next trial is drawn.
  answer(which) {
    this.answers.push({
      trial: this.answers.length + 1,
      x: this.x,
      y: this.y,
      answer: which.toUpperCase(),
      chosen: which === "x" ? this.x : this.y,
      switches: this.heard,
      seconds: Math.round((performance.now() - this.since) / 100) / 10,
    });
    if (!this.over) this.draw();
  }

  // What the answers say, in words and as data.
  result(early) {
    const { named, prefers } = this;
    const done = this.answers.length;
    const hits = this.answers.filter((one) => one.chosen === this.first).length;
    const p = prefers ? Math.min(1, 2 * binomialTail(Math.max(hits, done - hits), done)) : binomialTail(hits, done);
    const probability = p < 0.0001 ? "p under 0.0001" : `p = ${p.toFixed(4)}`;
    let text = "No trial was answered.";
    let note = "";
    if (done && prefers) {
      text = `${named(this.first)} was preferred ${hits} times, ${named(this.second)} ${done - hits} times, in ${done} trials: ${probability} (binomial, two-sided).`;
      note = p < 0.05
        ? "A preference as one-sided as this would be rare by chance: under 5 % of such tests."
        : "Chance alone would often give such a result; this test shows no preference.";
    } else if (done) {
      text = `${hits} of ${done} right: ${probability} (binomial, one-sided: the probability of as many or more by guessing).`;
      note = p < 0.05
        ? "By guessing alone this would be rare, under 5 % of such tests: you can tell the two apart."
        : "Guessing would often do as well; this test does not show that you can tell the two apart, nor that you cannot.";
    }
    if (early && done) note += " The test was ended early; a p-value is valid only where the number of trials was settled before.";
    const plain = {
      stem: this.subject,
      first: named(this.first),
      second: named(this.second),
      question: prefers ? "which is preferred" : "which is the first",
      trials_planned: this.count,
      trials_answered: done,
      first_chosen: hits,
      p_value: done ? p : null,
      p_value_kind: prefers ? "binomial, two-sided" : "binomial, one-sided",
      ended_early: early,
      began: this.began,
      ended: new Date().toISOString(),
      answers: this.answers.map((one) => ({
        trial: one.trial,
        x: named(one.x),
        y: named(one.y),
        answer: one.answer,
        chosen: named(one.chosen),
        right: prefers ? null : one.chosen === this.first,
        switches: one.switches,
        seconds: one.seconds,
      })),
    };
    return { text, note, plain };
  }
}

// Rows of a table of all answers.
const answerRows = (plain) => {
  const prefers = plain.question === "which is preferred";
  return plain.answers.map((one) => {
    const row = document.createElement("tr");
    const cells = [one.trial, one.x, one.y, one.answer, prefers ? one.chosen : one.right ? "yes" : "no", one.seconds];
    cells.forEach((value, place) => {
      const cell = document.createElement("td");
      cell.textContent = value;
      if (place > 0 && place < 5) cell.className = "text";
      row.append(cell);
    });
    return row;
  });
};

const answersAsCsv = (plain) => {
  const { answers, ...whole } = plain;
  const names = [...Object.keys(answers[0] || { trial: 0 }), ...Object.keys(whole)];
  const lines = answers.map((one) => names.map((name) => csvField({ ...whole, ...one }[name])).join(","));
  return `${[names.join(","), ...lines].join("\r\n")}\r\n`;
};
