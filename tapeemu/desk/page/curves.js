// Settings that follow curves over the tape: as in the suite, a chain takes up the mean of the curve over a cell of 5 ms,
// three cells ahead. Used by the player and by what renders files.

const cellOf = (rate) => Math.max(Math.floor(0.005 * rate + 0.5), 128);

// Integral of a part of the way between two points.
const curveArea = (curve, number, begin, end) => {
  const { places, values, shapes } = curve;
  const from = values[number];
  if (shapes[number] === "hold") return (end - begin) * from;
  const span = places[number + 1] - places[number];
  const [u, v] = [(begin - places[number]) / span, (end - places[number]) / span];
  let risen = 0.5 * (v * v - u * u);
  // Products: they have one result, a power has that of its library.
  if (shapes[number] === "smooth") risen = v * v * v - u * u * u - 0.5 * (v * v * v * v - u * u * u * u);
  return span * ((v - u) * from + risen * (values[number + 1] - from));
};

// Mean of a curve over a stretch of the tape, in samples.
const curveMean = (curve, first, behind) => {
  const { places, values } = curve;
  let total = Math.max(Math.min(places[0], behind) - first, 0) * values[0];
  total += Math.max(behind - Math.max(places.at(-1), first), 0) * values.at(-1);
  for (let number = 0; number < places.length - 1; number += 1) {
    if (places[number] >= behind) break;
    if (places[number + 1] <= first) continue;
    const [begin, end] = [Math.max(first, places[number]), Math.min(behind, places[number + 1])];
    if (end > begin) total += curveArea(curve, number, begin, end);
  }
  return Math.min(Math.max(total / (behind - first), Math.min(...values)), Math.max(...values));
};

class Follower {
  // curves: { stage, setting, group, late, places, values, shapes }; late: samples by which the sound is late where it is
  // changed: in front of a stage, behind a group that is mixed.
  constructor(curves, rate) {
    this.curves = curves.map((curve) => ({ ...curve, last: null }));
    this.cell = cellOf(rate);
  }

  into(curve, place) {
    const own = place - curve.late;
    return own - Math.floor(own / this.cell) * this.cell;
  }

  // Samples from a place on until something is to be set, at most so many.
  room(place, count) {
    return this.curves.reduce((least, curve) => Math.min(least, this.cell - this.into(curve, place)), count);
  }

  meanRound(curve, middle) {
    return curveMean(curve, middle - 0.5 * this.cell, middle + 0.5 * this.cell);
  }

  // Let a chain go on from a place: what cells that begin there take up.
  follow(place, apply) {
    for (const curve of this.curves) {
      if (this.into(curve, place) !== 0) continue;
      const value = this.meanRound(curve, place - curve.late + 3 * this.cell);
      if (value !== curve.last) apply(curve, value);
      curve.last = value;
    }
  }

  // Let a chain that will be sought to a place stand where the curves are there.
  stand(place, apply) {
    for (const curve of this.curves) {
      curve.last = this.meanRound(curve, place - curve.late);
      apply(curve, curve.last);
    }
  }
}
