// Sums of all outputs from the page's block of responses: plain arithmetic, nothing here touches the page.
//
// Settings are as in settings.js. Responses stand at present settings, so what is applied to them is the change: a sign,
// a delay, a level.
"use strict";

const FLOOR = 1e-12;

// The block with its responses decoded: re and im, one array per output and position.
function readModel(block) {
  const bytes = Uint8Array.from(atob(block.responses), (c) => c.charCodeAt(0));
  const view = new DataView(bytes.buffer);
  const n = block.lines.length;
  let at = 0;
  const h = block.outputs.map((_, i) => block.positions.map((_, p) => {
    const unit = block.scale[i][p];
    const re = new Float64Array(n), im = new Float64Array(n);
    for (let k = 0; k < n; k++, at += 4) {
      re[k] = unit * view.getInt16(at, true);
      im[k] = unit * view.getInt16(at + 2, true);
    }
    return { re, im };
  }));
  return { ...block, h, n, frequency_hz: block.lines.map((line) => line * block.line_spacing_hz) };
}

// Gain with sign, and delay in seconds, of a setting on top of the present one.
function changeOf(output, setting) {
  const level = setting.mute ? 0 : 10 ** (setting.level_db / 20);
  const sign = setting.polarity === output.polarity ? 1 : -1;
  return { gain: sign * level, delay_s: (setting.delay_ms - output.delay_ms) / 1000 };
}

// Sum of some outputs at every position, and the sum of their magnitudes, which is the most they could give.
function sumOf(model, settings, outputs) {
  const n = model.n;
  const sums = model.positions.map(() => ({
    re: new Float64Array(n), im: new Float64Array(n), most: new Float64Array(n),
  }));
  for (const i of outputs ?? model.outputs.keys()) {
    const { gain, delay_s } = changeOf(model.outputs[i], settings[i]);
    if (gain === 0) continue;
    for (let k = 0; k < n; k++) {
      const angle = -2 * Math.PI * model.frequency_hz[k] * delay_s;
      const c = gain * Math.cos(angle), s = gain * Math.sin(angle);
      for (let p = 0; p < sums.length; p++) {
        const { re, im } = model.h[i][p], sum = sums[p];
        sum.re[k] += c * re[k] - s * im[k];
        sum.im[k] += c * im[k] + s * re[k];
        sum.most[k] += Math.abs(gain) * Math.hypot(re[k], im[k]);
      }
    }
  }
  return sums;
}

const decibels = (ratio) => 10 * Math.log10(Math.max(ratio, FLOOR));

// Mean energies per band of one position's sum: as it adds up, and the most there could be.
function bandEnergies(model, sum) {
  return model.bands.map(([, first, stop]) => {
    let actual = 0, most = 0;
    for (let k = first; k < stop; k++) {
      actual += sum.re[k] ** 2 + sum.im[k] ** 2;
      most += sum.most[k] ** 2;
    }
    return { actual: actual / (stop - first), most: most / (stop - first) };
  });
}

// Sum efficiency in dB: mean over the audience's cells, and per position.
function scoreOf(model, sums) {
  const byPosition = model.positions.map(() => ({ total: 0, n: 0 }));
  let total = 0, weights = 0;
  for (const [p, first, stop, weight] of model.cells) {
    let actual = 0, most = 0;
    for (let k = first; k < stop; k++) {
      actual += sums[p].re[k] ** 2 + sums[p].im[k] ** 2;
      most += sums[p].most[k] ** 2;
    }
    const db = decibels(actual / Math.max(most, 1e-300));
    total += weight * db;
    weights += weight;
    byPosition[p].total += db;
    byPosition[p].n += 1;
  }
  return {
    mean_db: weights > 0 ? total / weights : NaN,
    position_db: byPosition.map(({ total, n }) => (n > 0 ? total / n : NaN)),
  };
}

// Score over a common shift of some outputs' delays, as they are set and with all of them flipped; the rest as set.
// shifts_ms ascends in equal steps.
function scoreOverShift(model, settings, moving, shifts_ms) {
  const rest = sumOf(model, settings, [...model.outputs.keys()].filter((i) => !moving.includes(i)));
  const own = sumOf(model, settings.map((s) => ({ ...s, delay_ms: s.delay_ms + shifts_ms[0] })), moving);
  const step_s = (shifts_ms[1] - shifts_ms[0]) / 1000;
  const turn = model.frequency_hz.map((f) => [Math.cos(-2 * Math.PI * f * step_s), Math.sin(-2 * Math.PI * f * step_s)]);
  const asSet = shifts_ms.map(() => 0), flipped = shifts_ms.map(() => 0);
  let weights = 0;
  for (const [p, first, stop, weight] of model.cells) {
    const { apart, most, re, im } = crossTerms(rest[p], own[p], first, stop);
    weights += weight;
    for (let d = 0; d < shifts_ms.length; d++) {
      let cross = 0;
      for (let k = 0; k < stop - first; k++) {
        cross += re[k];
        const [c, s] = turn[first + k], turned = re[k] * c - im[k] * s;
        im[k] = re[k] * s + im[k] * c;
        re[k] = turned;
      }
      asSet[d] += weight * decibels((apart + 2 * cross) / most);
      flipped[d] += weight * decibels((apart - 2 * cross) / most);
    }
  }
  const mean = (values) => values.map((v) => (weights > 0 ? v / weights : NaN));
  return { asSet: mean(asSet), flipped: mean(flipped) };
}

// Of two sums over some lines: energy of both apart, the most there could be, and conj(a) b line by line.
function crossTerms(a, b, first, stop) {
  const re = new Float64Array(stop - first), im = new Float64Array(stop - first);
  let apart = 0, most = 0;
  for (let k = first; k < stop; k++) {
    apart += a.re[k] ** 2 + a.im[k] ** 2 + b.re[k] ** 2 + b.im[k] ** 2;
    most += (a.most[k] + b.most[k]) ** 2;
    re[k - first] = a.re[k] * b.re[k] + a.im[k] * b.im[k];
    im[k - first] = a.re[k] * b.im[k] - a.im[k] * b.re[k];
  }
  return { apart, most: Math.max(most, 1e-300), re, im };
}

// The highest point of the curves and the highest other peak: of the other polarity, or a millisecond off and more.
// `next` is null where there is none.
function bestAndNext(shifts_ms, { asSet, flipped }, mayFlip) {
  const peaks = [...peaksOf(shifts_ms, asSet, false), ...(mayFlip ? peaksOf(shifts_ms, flipped, true) : [])];
  peaks.sort((a, b) => b.score_db - a.score_db);
  const best = peaks[0];
  const other = (p) => p.isFlipped !== best.isFlipped || Math.abs(p.shift_ms - best.shift_ms) >= 1;
  return { best, next: peaks.slice(1).find((p) => p.isInside && other(p)) ?? null };
}

// Peaks of one curve, the vertex of the parabola through the three points around each; its ends where they are highest.
function peaksOf(shifts_ms, scores, isFlipped) {
  const found = [], last = scores.length - 1, step_ms = shifts_ms[1] - shifts_ms[0];
  scores.forEach((here, k) => {
    const before = scores[k - 1] ?? -Infinity, after = scores[k + 1] ?? -Infinity;
    if (here < before || here <= after) return;
    if (k === 0 || k === last) {
      found.push({ shift_ms: shifts_ms[k], score_db: here, isFlipped, isInside: false });
      return;
    }
    const off = (before - after) / (2 * (before - 2 * here + after));
    const score_db = here - (before - after) * off / 4;
    found.push({ shift_ms: shifts_ms[k] + off * step_ms, score_db, isFlipped, isInside: true });
  });
  return found;
}
