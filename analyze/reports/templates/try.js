// The part of the page that moves: settings to try and what follows from them. Without it the page is whole.
"use strict";

(() => {
  const block = document.getElementById("model");
  if (!block) return;
  const model = readModel(JSON.parse(block.textContent));
  const root = document.getElementById("try");
  const at = (name) => root.querySelector(`[data-part="${name}"]`);
  const present = presentSettings(model), recommended = recommendedSettings(model);
  const audience = [...model.positions.keys()].filter((p) => model.positions[p].zone === "audience");
  const isTogether = model.outputs.map(() => true);  // with the rest of its group
  let yours = recommended;

  // ---- the address

  // Takes over settings from the address, if it carries any; what is wrong with them is said.
  function readAddress() {
    let wrong = "", carried = null;
    try {
      carried = settingsFrom(model, location.hash);
    } catch (error) {
      wrong = `The settings in the address were not taken over: ${error.message}. You see the recommended ones.`;
    }
    at("broken").textContent = wrong;
    at("broken").hidden = wrong === "";
    if (carried !== null || wrong !== "") {
      yours = carried ?? recommended;
      root.scrollIntoView();
    }
  }

  // Browsers refuse an address that changes at the pace of a key that is held down.
  let addressTimer = 0;
  function writeAddress() {
    clearTimeout(addressTimer);
    addressTimer = setTimeout(() => history.replaceState(null, "", address()), 200);
  }

  const isRecommended = () => yours.every((s, i) => isSame(s, recommended[i]));
  const address = () => (isRecommended() ? location.pathname + location.search : fragmentOf(model, yours));

  // ---- controls: one row per output

  const LARGER = { delay: { small: 0.01, shifted: 0.1, page: 1 }, level: { small: 0.5, shifted: 0.1, page: 3 } };
  const controls = model.outputs.map(rowOf);

  function rowOf(output, i) {
    const row = at("row").content.firstElementChild.cloneNode(true);
    const of = (name) => row.querySelector(`[data-part="${name}"]`);
    const [delay, polarity, level, mute, together, back] = ["delay", "polarity", "level", "mute", "together", "back"].map(of);
    of("name").textContent = output.name;
    const called = [
      [delay, "delay in ms"], [polarity, "inverted"], [level, "level in dB"], [mute, "mute"],
      [together, "moves with its group"], [back, "back to recommended"],
    ];
    for (const [control, what] of called) control.setAttribute("aria-label", `${output.name}: ${what}`);
    [delay.min, delay.max, level.min, level.max] = [output.min_delay_ms, output.max_delay_ms, ...LEVEL_DB];
    polarity.disabled = !output.can_flip;
    const group = model.groups.find(({ outputs }) => outputs.includes(i));
    of("group").textContent = group?.name ?? "";
    of("with").hidden = group === undefined;

    const typed = (input, otherwise) => (isUsable(input) ? rounded(input.valueAsNumber) : otherwise);
    const read = () => move(i, {
      delay_ms: typed(delay, yours[i].delay_ms),
      polarity: polarity.checked ? "inverted" : "normal",
      level_db: typed(level, yours[i].level_db),
      mute: mute.checked,
    });
    for (const control of [delay, polarity, level, mute]) control.addEventListener("input", read);
    for (const control of [delay, level]) {
      control.addEventListener("change", () => {
        if (!isUsable(control)) at("refused").textContent = refusal(output, control.dataset.part, control.valueAsNumber);
        show();
      });
      control.addEventListener("keydown", (event) => stepBy(event, control, LARGER[control.dataset.part], read));
    }
    together.addEventListener("input", () => {
      isTogether[i] = together.checked;
      follow();
    });
    back.addEventListener("click", () => restore(i));
    row.addEventListener("focusin", () => choose(i));
    at("rows").append(row);
    return { row, delay, polarity, level, mute, together, back };
  }

  // Whether a field holds a number in its range; finer than its step is fine.
  const isUsable = ({ value, validity }) => (
    value !== "" && !validity.badInput && !validity.rangeUnderflow && !validity.rangeOverflow);

  // Arrow keys and Page Up or Down, instead of the field's own steps, which would round what stands there.
  function stepBy(event, input, { small, shifted, page }, read) {
    const steps = { ArrowUp: 1, ArrowDown: -1, PageUp: 1, PageDown: -1 };
    if (!(event.key in steps) || event.altKey || event.ctrlKey || event.metaKey) return;
    event.preventDefault();
    const size = event.key.startsWith("Page") ? page : event.shiftKey ? shifted : small;
    const value = (isUsable(input) ? input.valueAsNumber : 0) + steps[event.key] * size;
    input.value = rounded(Math.min(Math.max(value, Number(input.min)), Number(input.max)));
    read();
  }

  function move(i, wanted) {
    yours = movedTo(model, yours, i, wanted, movingWith(model, i, isTogether));
    at("limited").hidden = isSame(yours[i], wanted);
    at("refused").textContent = "";
    show(document.activeElement);
    follow();
  }

  function restore(i) {
    const moving = movingWith(model, i, isTogether);
    set(yours.map((s, j) => (moving.includes(j) ? recommended[j] : s)));
    controls[i].delay.focus();
  }

  // Settings of the report, groups together again.
  function setAll(settings) {
    isTogether.fill(true);
    for (const { together } of controls) together.checked = true;
    set(settings);
  }

  function set(settings) {
    yours = settings;
    at("limited").hidden = true;
    at("refused").textContent = "";
    show();
    follow();
  }

  // Fields follow the settings; one that is being typed into is left alone unless it holds another number.
  function show(typedInto) {
    yours.forEach((s, i) => {
      const c = controls[i];
      for (const [input, value] of [[c.delay, s.delay_ms], [c.level, s.level_db]]) {
        if (input !== typedInto || (isUsable(input) && rounded(input.valueAsNumber) !== value)) input.value = value;
      }
      c.polarity.checked = s.polarity === "inverted";
      c.mute.checked = s.mute;
      c.row.classList.toggle("is-changed", !isSame(s, recommended[i]));
      c.back.title = `recommended: ${settingText(recommended[i]).slice(0, 2).join(", ")}`;
    });
  }

  // ---- what is looked at

  const [seat, shown, swept] = ["seat", "shown", "swept"].map(at);
  const option = (select, value, text) => select.append(new Option(text, value));
  if (audience.length > 1) option(seat, "all", "all seats, mean");
  model.positions.forEach(({ name, zone }, p) => option(seat, p, zone === "audience" ? name : `${name} (stage)`));
  model.outputs.forEach((output, i) => option(swept, i, output.name));
  const first = model.outputs.findIndex((o) => o.to_delay_ms !== o.delay_ms || o.to_polarity !== o.polarity);
  const sub = model.outputs.findIndex((o) => o.kind === "sub" && !o.is_fixed);
  const free = model.outputs.findIndex((o) => !o.is_fixed);
  swept.value = [first, sub, free].find((i) => i >= 0) ?? 0;
  for (const select of [seat, shown, swept]) select.addEventListener("input", () => follow());

  function choose(i) {
    if (Number(swept.value) === i) return;
    swept.value = i;
    follow();
  }

  // ---- what follows from the settings

  const heard = [...new Set(model.cells.map(([p]) => p))];
  let levels, map;

  function build() {
    levels?.plot.destroy();
    map?.plot.destroy();
    levels = levelChart(at("curves"), model, audience);
    map = mapChart(at("map"));
  }

  // Sums of the present and the recommended settings at the levels and mutes of yours, kept until those change.
  let compared = { key: "" };
  function comparedSums() {
    const key = JSON.stringify(yours.map(({ level_db, mute }) => [level_db, mute]));
    if (compared.key !== key) {
      const [before, best] = [present, recommended].map((settings) => sumOf(model, atLevelsOf(settings, yours)));
      compared = { key, before, best };
    }
    return compared;
  }

  const hasFaders = () => yours.some(({ level_db, mute }) => level_db !== 0 || mute);

  function update() {
    const now = sumOf(model, yours), { before, best } = comparedSums();
    showLevels(now, before, best);
    const scores = [before, best, now].map((sums) => scoreOf(model, sums));
    showScores(scores);
    at("levels-too").hidden = !hasFaders();
    if (model.cells.length > 0) showMap(scores);
  }

  // Levels at the chosen seat or their mean over seats in dB: re the best possible, or re its loudest band.
  function showLevels(now, before, best) {
    const looked = seat.value === "all" ? audience : [Number(seat.value)];
    const isLoss = shown.value === "loss";
    const curve = (energies) => energies.map(
      ({ actual, most }) => (most > 0 ? decibels(isLoss ? actual / most : actual) : NaN));  // NaN: nothing was measured there
    const mean = (curves) => model.bands.map((_, k) => {
      const known = curves.map((c) => c[k]).filter(Number.isFinite);
      return known.reduce((total, v) => total + v, 0) / known.length;
    });
    const of = (sums) => looked.map((p) => curve(bandEnergies(model, sums[p])));
    const possible = looked.map((p) => curve(bandEnergies(model, now[p]).map(({ most }) => ({ actual: most, most }))));
    const each = of(now), top = isLoss ? 0 : Math.max(...mean(possible).filter(Number.isFinite));
    const thin = audience.map((_, k) => (looked.length > 1 ? each[k] : model.bands.map(() => NaN)));
    at("thin").hidden = looked.length < 2;
    const lines = [...thin, mean(possible), mean(of(best)), mean(of(before)), mean(each)];
    const centre = (first) => model.bands.find(([, from]) => from === first)?.[0];
    const counted = new Set(model.cells.filter(([p]) => looked.includes(p)).map(([, from]) => centre(from)));
    // two standard errors, of a mean of seats that err by themselves; of levels as they were recorded alone
    const stds = hasFaders() ? [] : looked.map((p) => model.recommended_std_db[p]);
    const either = (stds[0] ?? []).map((_, k) => 2 * Math.hypot(...stds.map((of_seat) => of_seat[k])) / stds.length);
    at("pale").hidden = either.length === 0;
    levels.show([...counted], lines.map((values) => values.map((v) => (Number.isFinite(v) ? v - top : null))), either);
  }

  // A figure in dB with the decimals that are known; all of them for machines.
  function say(figure, value_db) {
    figure.textContent = dbText(value_db);
    figure.value = Number.isFinite(value_db) ? value_db.toFixed(4) : "";
  }

  // The score and the worst seat, and both of every seat in the table.
  function showScores(scores) {
    const worst = scores.map(({ position_db }) => heard.reduce((a, p) => (position_db[p] < position_db[a] ? p : a), heard[0]));
    const now = scores[2];
    say(at("score"), now.mean_db);
    at("worst").textContent = heard.length > 0 ? model.positions[worst[2]].name : "–";
    at("worst-score").textContent = heard.length > 0 ? `, ${dbText(now.position_db[worst[2]])} dB` : "";
    const cellsOf = (values, isWorst) => values.map((value, k) => {
      const cell = document.createElement("td"), figure = document.createElement("data");
      cell.className = "n";
      say(figure, value);
      cell.append(isWorst[k] ? "worst " : "", figure);
      return cell;
    });
    const rowFor = (name, values, isWorst) => {
      const row = at("seat-row").content.firstElementChild.cloneNode(true);
      row.querySelector("bdi").textContent = name;
      row.append(...cellsOf(values, isWorst));
      return row;
    };
    at("seats").replaceChildren(
      rowFor("all seats", scores.map((s) => s.mean_db), [false, false, false]),
      ...heard.map((p) => rowFor(
        model.positions[p].name, scores.map((s) => s.position_db[p]), worst.map((w) => heard.length > 1 && w === p))),
    );
  }

  const REACH_MS = 20, STEP_MS = 0.1, MOST_STEPS = 800, FLAT_DB = 0.005, EQUAL_DB = 0.05;

  // Score over the delay of the chosen output and all that moves with it.
  function showMap(scores) {
    const i = Number(swept.value), moving = movingWith(model, i, isTogether);
    controls.forEach((c, k) => c.row.classList.toggle("is-swept", moving.includes(k)));
    const set_ms = yours[i].delay_ms, rival = runnerUpOf(i, moving);
    const marked = [recommended[i], present[i], ...(rival ? [rival] : [])];
    const known = [0, ...marked.map(({ delay_ms }) => delay_ms - set_ms)];
    const [least, most] = shiftLimits(model, yours, moving);
    const from = Math.max(least, Math.min(...known) - REACH_MS), to = Math.min(most, Math.max(...known) + REACH_MS);
    const n = Math.min(Math.max(2, Math.round((to - from) / STEP_MS)), MOST_STEPS);
    const step = Math.max(to - from, STEP_MS) / n;
    const shifts = Array.from({ length: n + 1 }, (_, k) => from + k * step);
    const curves = scoreOverShift(model, yours, moving, shifts);
    const { best: top, next } = bestAndNext(shifts, curves, moving.every((j) => model.outputs[j].can_flip));
    const delays = shifts.map((shift) => set_ms + shift);
    const placeOf = (name, { delay_ms, polarity }) => {
      const values = polarity === yours[i].polarity ? curves.asSet : curves.flipped;
      return { name, delay_ms, polarity, score_db: valueAt(delays, values, delay_ms) };
    };
    // a setting of the report with all else as set is another one than all of them
    const isWhole = (settings) => isRestSame(yours, atLevelsOf(settings, yours), moving) && isKeptApart(settings, i, moving);
    const reported = (name, settings) => placeOf(isWhole(settings) ? name : `${name} here`, settings[i]);
    const was = reported("present", present);
    const there = reported("recommended", recommended), isBest = rival !== null && top.score_db - there.score_db < EQUAL_DB;
    const found = [...(isBest ? [] : [["best", top]]), ...(rival !== null || next === null ? [] : [["next best", next]])];
    const both = [curves.asSet, curves.flipped];
    map.show(delays, ...(yours[i].polarity === "normal" ? both : both.reverse()), [
      placeOf("yours", yours[i]), there, was,
      ...(rival ? [placeOf("runner-up", rival)] : []),
      ...found.map(([name, peak]) => ({
        name, delay_ms: set_ms + peak.shift_ms, polarity: polarityOf(i, peak), score_db: peak.score_db,
      })),
    ]);
    const range_db = Math.max(...both.flat()) - Math.min(...both.flat());
    tellMap(i, moving, range_db, scores[2].mean_db, isBest ? there : top, next, rival);
    at("told-present").textContent = isWhole(present) || range_db < FLAT_DB ? ""
      : ` Its present setting has ${dbText(was.score_db)} dB here, among the others as you set them; all present settings together have ${dbText(scores[0].mean_db)} dB.`;
  }

  const polarityOf = (i, { isFlipped }) => (isFlipped ? opposite(yours[i].polarity) : yours[i].polarity);

  // Whether outputs that move together stand to each other as in these settings.
  const isKeptApart = (settings, i, moving) => moving.every((j) => (
    rounded(yours[j].delay_ms - yours[i].delay_ms) === rounded(settings[j].delay_ms - settings[i].delay_ms)
    && (yours[j].polarity === yours[i].polarity) === (settings[j].polarity === settings[i].polarity)));

  // The runner-up of the sheet, for which everything that does not move with output i must stand as recommended.
  function runnerUpOf(i, moving) {
    const whole = movingWith(model, i, model.outputs.map(() => true));
    const isTogetherMoved = moving.length === whole.length && isKeptApart(recommended, i, moving)
      && moving.every((j) => yours[j].level_db === 0 && !yours[j].mute);
    return isRestSame(yours, recommended, moving) && isTogetherMoved ? model.outputs[i].runner_up : null;
  }

  // The value of a curve at a place between two of its points.
  function valueAt(xs, ys, x) {
    const k = Math.min(Math.max(Math.floor((x - xs[0]) / (xs[1] - xs[0])), 0), xs.length - 2);
    return ys[k] + (ys[k + 1] - ys[k]) * (x - xs[k]) / (xs[k + 1] - xs[k]);
  }

  const BY_KIND = {
    fill: "A fill is set by arrival, so the best score need not be right for it.",
    tower: "A tower is set by arrival, so the best score need not be right for it.",
    monitor: "A monitor is judged on stage; this score is the audience's.",
  };
  const UNDECIDED = "Not decided: it is drawn from recordings that do not tell enough, and its best is not to be typed.";
  const FIXED = "The reference and its group do not move: all else is set against them.";

  // top : the peak of the curves, or the recommended setting where that is it
  function tellMap(i, moving, range_db, now_db, top, next, rival) {
    const { name, kind } = model.outputs[i], others = moving.filter((j) => j !== i).map((j) => model.outputs[j].name);
    at("moving").textContent = others.length > 0 ? `${name}; with it moves ${others.join(", ")}` : name;
    const called = (peak) => `${(yours[i].delay_ms + peak.shift_ms).toFixed(2)} ms ${polarityOf(i, peak)}`;
    const nextWords = () => {
      const later_ms = next.shift_ms - top.shift_ms;
      const apart = `${Math.abs(later_ms).toFixed(1)} ms ${later_ms < 0 ? "earlier" : "later"}`;
      return `Next best: ${called(next)}, ${lessWords(top.score_db - next.score_db) || "as good"} and ${apart}.`;
    };
    const beyond = () => {
      const [first_ms, last_ms] = model.outputs[i].searched_ms ?? [-Infinity, Infinity], at_ms = yours[i].delay_ms + top.shift_ms;
      return top.name || (at_ms > first_ms - STEP_MS && at_ms < last_ms + STEP_MS) ? ""
        : ` No delay outside of ${first_ms.toFixed(1)} to ${last_ms.toFixed(1)} ms is recommended: they are too far from arrivals in step.`;
    };
    const lessWords = (db) => (db < EQUAL_DB ? "" : `${dbText(db)} dB less`);
    const rivalWords = () => {
      const less = rival.cost_db < EQUAL_DB ? "" : `, ${lessWords(rival.cost_db)} where it overlaps with others`;
      return `Runner-up: ${delayText(rival.delay_ms)} ${rival.polarity}${less}${rival.note && `, ${rival.note}`}.`;
    };
    const words = range_db < FLAT_DB ? ["No band that counts changes with it: the score does not depend on it."] : [
      `Best: ${top.name ? `${settingText(recommended[i]).slice(0, 2).join(" ")}, as recommended` : called(top)}, ${dbText(top.score_db)} dB.${beyond()}`,
      rival !== null ? rivalWords() : next === null ? "There is no other peak in this range." : nextWords(),
      `Yours: ${top.score_db - now_db < EQUAL_DB ? "as good as the best" : `${dbText(top.score_db - now_db)} dB under the best`}.`,
    ];
    const { is_undecided, is_fixed } = model.outputs[i];
    at("told").textContent = [is_undecided && UNDECIDED, ...words, is_fixed ? FIXED : BY_KIND[kind]].filter(Boolean).join(" ");
  }

  let isWaiting = false;
  function follow() {
    if (isWaiting) return;
    isWaiting = true;
    requestAnimationFrame(() => {
      isWaiting = false;
      update();
      writeAddress();
    });
  }

  // ---- buttons

  at("recommended").addEventListener("click", () => setAll(recommended));
  at("present").addEventListener("click", () => setAll(present));
  at("copy").addEventListener("click", () => {
    history.replaceState(null, "", address());
    const said = at("scores").textContent.replace(/\s+/g, " ").trim();
    const field = at("text");
    field.value = [document.title, said, ...linesOf(model, yours), location.href].join("\n");
    field.hidden = false;
    field.focus();
    field.select();
    navigator.clipboard?.writeText(field.value).catch(() => {});  // it stands selected in the field all the same
  });

  root.hidden = false;
  for (const link of document.querySelectorAll("[data-needs-script]")) link.hidden = false;
  at("keys-group").hidden = model.groups.length === 0;
  at("map-figure").hidden = model.cells.length === 0;
  readAddress();
  show();
  build();
  update();
  addEventListener("hashchange", () => {
    readAddress();
    show();
    follow();
  });
  addEventListener("resize", () => { build(); update(); });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { build(); update(); });
})();
