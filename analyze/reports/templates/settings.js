// Settings of all outputs: those of the report, moved together, as text, from an address. Nothing here touches the page.
//
// A setting is { delay_ms, polarity: "normal" | "inverted", level_db, mute }; the outputs of `model` say what their
// devices can do: min_delay_ms, max_delay_ms, can_flip.
"use strict";

const LEVEL_DB = [-60, 20];
const FRAGMENT = "#try=";

const presentSettings = (model) => model.outputs.map(
  (o) => ({ delay_ms: o.delay_ms, polarity: o.polarity, level_db: 0, mute: false }));

const recommendedSettings = (model) => model.outputs.map(
  (o) => ({ delay_ms: o.to_delay_ms, polarity: o.to_polarity, level_db: 0, mute: false }));

const isSame = (a, b) => (
  a.delay_ms === b.delay_ms && a.polarity === b.polarity && a.level_db === b.level_db && a.mute === b.mute);

const opposite = (polarity) => (polarity === "normal" ? "inverted" : "normal");

// The outputs that move when output i is moved: its group's, of those that move together, if it does itself.
function movingWith(model, i, isTogether) {
  const group = model.groups.find(({ outputs }) => outputs.includes(i));
  return group && isTogether[i] ? group.outputs.filter((j) => isTogether[j]) : [i];
}

// What common step of their delays leaves all of these outputs within what their devices can do, as [least, most].
function shiftLimits(model, settings, moving) {
  return [
    Math.max(...moving.map((i) => model.outputs[i].min_delay_ms - settings[i].delay_ms)),
    Math.min(...moving.map((i) => model.outputs[i].max_delay_ms - settings[i].delay_ms)),
  ];
}

// Settings once output i is set as wanted. Whatever moves with it takes the same steps of delay and level, is flipped
// with it and muted with it, as far as all their devices can: differences within a group stay.
function movedTo(model, settings, i, wanted, moving) {
  const within = (value, [least, most]) => Math.min(Math.max(value, least), most);
  const delay_ms = within(wanted.delay_ms - settings[i].delay_ms, shiftLimits(model, settings, moving));
  const level_db = within(wanted.level_db - settings[i].level_db, [
    Math.max(...moving.map((j) => LEVEL_DB[0] - settings[j].level_db)),
    Math.min(...moving.map((j) => LEVEL_DB[1] - settings[j].level_db)),
  ]);
  const isFlipped = wanted.polarity !== settings[i].polarity && moving.every((j) => model.outputs[j].can_flip);
  return settings.map((s, j) => (!moving.includes(j) ? s : {
    delay_ms: rounded(s.delay_ms + delay_ms),
    polarity: isFlipped ? opposite(s.polarity) : s.polarity,
    level_db: rounded(s.level_db + level_db),
    mute: wanted.mute,
  }));
}

// Settings with the levels and mutes of others: what faders do is the same whatever delays and polarities are compared.
const atLevelsOf = (settings, others) => settings.map(
  (s, i) => ({ ...s, level_db: others[i].level_db, mute: others[i].mute }));

// Whether all outputs but some are set alike.
const isRestSame = (settings, others, moving) => settings.every((s, j) => moving.includes(j) || isSame(s, others[j]));

const rounded = (value) => Number(value.toFixed(6));

// ---- the address

// The part of an address that carries settings: per output its name, delay, polarity, level, and "muted" if it is.
function fragmentOf(model, settings) {
  const one = (s, i) => [
    encodeURIComponent(model.outputs[i].name).replaceAll("~", "%7E"), rounded(s.delay_ms), s.polarity, s.level_db,
    ...(s.mute ? ["muted"] : []),
  ].join("~");
  return FRAGMENT + settings.map(one).join("&");
}

// Settings that an address carries, null if it carries none. Throws an Error with what is wrong, for the reader, where
// they are not whole, of other outputs, or beyond what a device can do: an address may come from anywhere.
function settingsFrom(model, fragment) {
  if (!fragment.startsWith(FRAGMENT)) return null;
  const parts = fragment.slice(FRAGMENT.length).split("&");
  if (parts.length !== model.outputs.length) {
    const outputs = parts.length === 1 ? "output" : "outputs";
    throw new Error(`they are for ${parts.length} ${outputs}, and here are ${model.outputs.length}`);
  }
  return parts.map((part, i) => settingFrom(model.outputs[i], `output ${i + 1}`, part.split("~")));
}

function settingFrom(output, called, [name, delay, polarity, level, mute, ...more]) {
  const isNumber = (text) => /^-?\d{1,4}(\.\d{1,6})?$/.test(text ?? "");
  if (decoded(name) !== output.name) throw new Error(`${called} has another name there`);
  if (!isNumber(delay) || !isNumber(level) || ![undefined, "muted"].includes(mute) || more.length > 0
    || !["normal", "inverted"].includes(polarity)) throw new Error(`what they say of ${called} is not whole`);
  const setting = { delay_ms: Number(delay), polarity, level_db: Number(level), mute: mute === "muted" };
  const { min_delay_ms, max_delay_ms } = output;
  if (setting.delay_ms < min_delay_ms || setting.delay_ms > max_delay_ms) {
    throw new Error(`the delay of ${called} is not within ${min_delay_ms} to ${max_delay_ms} ms`);
  }
  if (setting.level_db < LEVEL_DB[0] || setting.level_db > LEVEL_DB[1]) {
    throw new Error(`the level of ${called} is not within ${LEVEL_DB[0]} to ${LEVEL_DB[1]} dB`);
  }
  if (polarity !== output.polarity && !output.can_flip) throw new Error(`the device of ${called} cannot invert`);
  return setting;
}

function decoded(text) {
  try {
    return decodeURIComponent(text);
  } catch {
    return null;  // a broken escape
  }
}

// ---- words

// A number of dB with the sign it is printed with; a dash where it is not known.
function dbText(value, digits = 1) {
  return Number.isFinite(value) ? (Number(value.toFixed(digits)) + 0).toFixed(digits).replace("-", "\u2212") : "–";
}

// A delay with two decimals, more where it has more.
function delayText(delay_ms) {
  const decimals = String(rounded(delay_ms)).split(".")[1] ?? "";
  return `${delay_ms.toFixed(Math.max(2, decimals.length))} ms`;
}

// Why what was typed into a field is not taken over, or an empty text where it is; `typed` is NaN where it is no number.
function refusal(output, what, typed) {
  const [least, most] = what === "delay" ? [output.min_delay_ms, output.max_delay_ms] : LEVEL_DB;
  const unit = what === "delay" ? "ms" : "dB";
  if (typed >= least && typed <= most) return "";
  const said = Number.isNaN(typed) ? "That is not a number" : `${numberText(typed)} ${unit} was not taken over`;
  const range = `${numberText(least)} to ${numberText(most)} ${unit}`;
  return `${said}: ${what === "delay" ? `the device of ${output.name} does ${range}` : `levels go from ${range} here`}.`;
}

const numberText = (value) => String(value).replace("-", "\u2212");

function settingText(setting) {
  const { delay_ms, polarity, level_db, mute } = setting;
  const level = `${level_db > 0 ? "+" : ""}${dbText(level_db, Number.isInteger(level_db) ? 0 : 2)} dB`;
  return [delayText(delay_ms), polarity, mute ? "muted" : level];
}

// One line per output, with what is recommended where that is something else.
function linesOf(model, settings) {
  const recommended = recommendedSettings(model);
  return settings.map((s, i) => {
    const other = isSame(s, recommended[i]) ? [] : [`(recommended ${settingText(recommended[i]).slice(0, 2).join(", ")})`];
    return [model.outputs[i].name, ...settingText(s), ...other].join("\t");
  });
}
