// The two drawings that follow the settings to try: levels of the sum, and the map of score over delay.
"use strict";

const OCTAVES_HZ = [31.5, 63, 125, 250, 500, 1000, 2000, 4000, 8000, 16000];

const colour = (role) => getComputedStyle(document.documentElement).getPropertyValue(role).trim();
const hertz = (f) => (f >= 1000 ? `${f / 1000} k` : `${f}`);

function axisOf(label, more) {
  const font = "12px system-ui, sans-serif";
  return {
    label, font, labelFont: font, labelSize: 20, labelGap: 0, stroke: colour("--muted"),
    grid: { stroke: colour("--grid"), width: 1 }, ticks: { show: false }, ...more,
  };
}

function lineOf(label, role, width, dash, name) {
  const value = (_, v, __, at) => (at == null ? "" : v == null ? "not measured" : `${dbText(v)} dB`);
  return { label, stroke: colour(role), width, dash, points: { show: false }, value, class: name };
}

// What both drawings share: fitted to the place they stand in, keys with the line's own dash.
function chart(place, height, series, axes, more) {
  const marks = { width: 2, dash: (plot, k) => (series[k].dash ? (series[k].dash[0] > 3 ? "dashed" : "dotted") : "solid") };
  return new uPlot({
    width: Math.max(260, place.clientWidth), height, cursor: { drag: { setScale: false } }, legend: { markers: marks },
    series, axes, ...more,
  }, series.map(() => []), place);
}

// Levels per third octave. `seats` thin lines of single seats come before the four that have names.
function levelChart(place, model, seats) {
  const centres = model.bands.map(([hz]) => hz);
  const octaves = OCTAVES_HZ.filter((hz) => hz >= centres[0] && hz <= centres.at(-1));
  let counted = [], pale = { db: [], either_db: [] };
  const seen = (plot) => octaves.filter((_, k) => k % 2 === 1 || plot.width > 480);
  const plot = chart(place, 300, [
    { label: "third octave", class: "at-cursor", value: (_, f) => (f == null ? "" : `${hertz(f)} Hz`) },
    ...seats.map(() => lineOf("", "--present", 0.7, undefined, "one-seat")),
    // the wider below the narrower: where lines fall together all of them are seen
    lineOf("best possible", "--muted", 1.5, [2, 3]),
    lineOf("recommended", "--recommended", 7),
    lineOf("present", "--present", 4, [6, 3]),
    lineOf("yours", "--ink", 1.5),
  ], [
    axisOf("Frequency (Hz)", { size: 28, splits: seen, filter: (_, at_hz) => at_hz, values: (_, at_hz) => at_hz.map(hertz) }),
    axisOf("Level (dB)", { size: 44, values: (_, at_db) => at_db.map((v) => dbText(v, at_db.every(Number.isInteger) ? 0 : 1)) }),
  ], {
    scales: {
      x: { time: false, distr: 3, range: (_, low, high) => [low * 0.9, high * 1.1] },
      y: { range: (_, low, high) => [Math.max(low, high - 40) - 1, high + 1] },
    },
    hooks: {
      drawClear: [(drawn) => {
        shade(drawn, counted);
        widen(drawn, centres, pale);
      }],
    },
  });
  return {
    plot,
    // counted_hz : third octaves that count in the score; lines : the thin ones, then the four
    // either_db : error of the recommended one on either side, of the lowest bands
    show(counted_hz, lines, either_db) {
      counted = counted_hz;
      pale = { db: lines.at(-3), either_db };
      plot.setData([centres, ...lines]);
    },
  };
}

// Third octaves as areas behind the curves.
function shade(plot, centres_hz) {
  const { ctx, bbox } = plot, half = 10 ** 0.05;  // half a third octave
  ctx.save();
  ctx.fillStyle = colour("--shade");
  for (const hz of centres_hz) {
    const edges = [hz / half, hz * half].map((edge) => plot.valToPos(edge, "x", true));
    const from = Math.max(Math.floor(edges[0]), bbox.left), to = Math.min(Math.ceil(edges[1]), bbox.left + bbox.width);
    ctx.fillRect(from, bbox.top, to - from, bbox.height);
  }
  ctx.restore();
}

// A curve as wide as it is uncertain, behind all curves; bands without a value are left out.
function widen(plot, centres_hz, { db, either_db }) {
  const known = [...either_db.keys()].filter((k) => db[k] != null);
  if (known.length === 0) return;
  const { ctx, bbox } = plot;
  const at = (k, side) => [plot.valToPos(centres_hz[k], "x", true), plot.valToPos(db[k] + side * either_db[k], "y", true)];
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left, bbox.top, bbox.width, bbox.height);
  ctx.clip();
  ctx.beginPath();
  for (const [k, side] of [...known.map((k) => [k, 1]), ...known.toReversed().map((k) => [k, -1])]) ctx.lineTo(...at(k, side));
  ctx.globalAlpha = 0.25;
  ctx.fillStyle = colour("--recommended");
  ctx.fill();
  ctx.restore();
}

// Score over the delay setting of an output for both polarities, with named places on the curves.
function mapChart(place) {
  let marks = [];
  const plot = chart(place, 260, [
    { label: "delay", class: "at-cursor", value: (_, v) => (v == null ? "" : delayText(v)) },
    lineOf("normal", "--s0", 2),
    lineOf("inverted", "--s1", 2, [6, 3]),
  ], [
    axisOf("Delay setting (ms)", { size: 28 }),
    axisOf("Score (dB)", { size: 48, incrs: [0.1, 0.2, 0.5, 1, 2, 5, 10, 20], values: (_, at_db) => at_db.map((v) => dbText(v, 1)) }),
  ], {
    scales: { x: { time: false }, y: { range: (_, low, high) => around(low, high) } },
    hooks: { draw: [(drawn) => drawMarks(drawn, marks)] },
  });
  return {
    plot,
    // places : { name, delay_ms, polarity, score_db } of what is to be found on the map
    show(delays_ms, normal_db, inverted_db, places) {
      marks = ringsOf(places);
      plot.setData([delays_ms, normal_db, inverted_db]);
    },
  };
}

// At least one dB is shown, with room for names above the curves.
function around(low, high) {
  const more = Math.max(0, 1 - (high - low)) / 2;
  return [low - more - 0.05 * (high - low), high + more + 0.4 * Math.max(1, high - low)];
}

// Places as rings: those of one setting, as far as settings are typed, share one.
function ringsOf(places) {
  const rings = [];
  for (const { name, delay_ms, polarity, score_db } of places) {
    const same = rings.find((r) => r.polarity === polarity && Math.abs(r.delay_ms - delay_ms) < 0.00501);
    if (same) same.names.push(name);
    else rings.push({ names: [name], delay_ms, polarity, score_db });
  }
  return rings;
}

// A ring at every place in the colour of its curve; names stand above all curves, each with a line down to its ring.
function drawMarks(plot, rings) {
  const { ctx, bbox } = plot, px = devicePixelRatio;
  ctx.save();
  ctx.beginPath();
  ctx.rect(bbox.left - 6 * px, bbox.top, bbox.width + 12 * px, bbox.height);
  ctx.clip();
  ctx.font = `${12 * px}px system-ui, sans-serif`;
  ctx.setLineDash([]);
  ctx.textAlign = "left";
  ctx.textBaseline = "alphabetic";
  const placed = rings.map((ring) => ({
    ...ring, x: plot.valToPos(ring.delay_ms, "x", true), y: plot.valToPos(ring.score_db, "y", true),
  })).filter(({ x }) => x >= bbox.left - 1 && x <= bbox.left + bbox.width + 1);
  const rows = rowsOf(placed.map(({ x, names }) => spanOf(ctx, bbox, x, names.join(", "), px)));
  placed.forEach(({ x, y, names }, k) => {
    const { left, row } = rows[k], base = bbox.top + (13 + 15 * row) * px;
    ctx.fillStyle = ctx.strokeStyle = colour("--ink");
    ctx.lineWidth = px;
    ctx.beginPath();
    ctx.moveTo(x, base + 3 * px);
    ctx.lineTo(x, y - 5 * px);
    ctx.stroke();
    haloed(ctx, names.join(", "), left, base, px);
  });
  for (const { x, y, polarity, names } of placed) {
    ctx.beginPath();
    ctx.arc(x, y, 4.5 * px, 0, 2 * Math.PI);
    ctx.lineWidth = 2 * px;
    ctx.fillStyle = names.includes("yours") ? colour("--ink") : colour("--paper");
    ctx.strokeStyle = colour(polarity === "normal" ? "--s0" : "--s1");
    ctx.fill();
    ctx.stroke();
  }
  ctx.restore();
}

// Where a name stands along the axis: above its ring, in from the edges.
function spanOf(ctx, bbox, x, text, px) {
  const width = ctx.measureText(text).width, most = bbox.left + bbox.width - width - 2 * px;
  return { left: Math.max(Math.min(x - width / 2, most), bbox.left + 2 * px), width: width + 8 * px };
}

// Rows for names, so that no two of a row meet: the uppermost that is free.
function rowsOf(spans) {
  const placed = [];
  for (const span of spans) {
    const hits = (row) => placed.some((p) => p.row === row && span.left < p.left + p.width && p.left < span.left + span.width);
    let row = 0;
    while (hits(row)) row += 1;
    placed.push({ ...span, row });
  }
  return placed;
}

// Text that is read across lines without hiding them: paper around its letters only.
function haloed(ctx, text, left, base, px) {
  ctx.lineJoin = "round";
  ctx.lineWidth = 3 * px;
  ctx.strokeStyle = colour("--paper");
  ctx.strokeText(text, left, base);
  ctx.fillText(text, left, base);
}
