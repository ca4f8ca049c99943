"""Were the recommended settings put in force, and did they do what was predicted?

BEFORE holds the recommendation, AFTER a second capture with the new settings. What its description says of them may be
wrong: what is in force is measured, response against response, as two visits are compared.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

from analyze.alignment.optional import may_be_left_out
from analyze.archive.alikeness import are_too_alike
from analyze.archive.comparison import SCATTER_MS, Found, found_between, own_shift, toggled, visit_of
from analyze.archive.comparison_causes import part_of, shift_of
from analyze.archive.comparison_certainty import probability
from analyze.archive.comparison_exchanged import exchanged_positions, with_exchanged
from analyze.archive.comparison_pairs import matched_names
from analyze.archive.comparison_unheard import is_heard_with_setting
from analyze.archive.comparison_visits import alike_words, visits_words
from analyze.archive.comparison_words import exchanged_words
from analyze.archive.opening import ReportRead
from analyze.archive.renaming import renamed_older, renames_words
from analyze.archive.rewiring import Rewired, rewired
from analyze.archive.settings_outcomes import NOTHING, Asked, Turn, is_same, outcome_of, owner_of, sureness
from analyze.archive.settings_rows import DONE, Applied, SeatGain, Verified
from analyze.archive.settings_sums import band_gains, seat_gains
from analyze.archive.settings_words import described_reason, reason, remarks
from analyze.errors import DescriptionError

#: A margin of cost under which a sign is not told.
_UNTOLD = 3.0
_POLARITY = {1: "normal", -1: "inverted"}
NAN = float("nan")


@dataclass(frozen=True)
class Measured:
    """What was done to one output by measurement: the change, its error, and how sure its sign is.

    other_ms, margin : the delay by the next best explanation, and by how much that is the worse one
    odd : positions at which its polarity is not what it is at the rest; wire : its own, if that turned over
    described : the change by the descriptions, where its feed is recorded after the setting, which nobody can hear then
    """

    change: Turn
    std_ms: float
    sign_margin: float
    other_ms: float
    margin: float
    odd: tuple[str, ...] = ()
    wire: Rewired | None = None
    described: Turn | None = None

    @property
    def is_other_sound(self) -> bool:
        """Whether a setting that cannot be heard is not all that changed."""
        if self.described is None:
            return False
        return bool(self.odd) or (self.is_sign_told and not is_same(self.change, self.described, self.std_ms))

    @property
    def rewired(self) -> Turn:
        """The change of the setting if a wire turned over too."""
        return self.change[0], -self.change[1]

    @property
    def is_sign_told(self) -> bool:
        """Whether it is known which way up the output plays, against before."""
        return self.sign_margin >= _UNTOLD and not self.odd


#: What is known of an output that was not heard at both visits.
_UNHEARD = Measured((NAN, 1), NAN, NAN, NAN, NAN)


def verify_settings(before: ReportRead, after: ReportRead, renames: Mapping[str, str] | None = None) -> Verified:
    """Hold what was recommended and predicted before against what is measured after.

    Parameters
    ----------
    renames : name of an output or position before -> name after

    Raises
    ------
    DescriptionError : the two have nothing of one name, a rename names nothing, or BEFORE recommends nothing
    """
    before = renamed_older(before, after, renames or {})
    recommended = {row["output"]: row for row in before.rows("recommendations")}
    if not recommended:
        raise DescriptionError(
            "it recommends no settings.", "Give the report of a sound check with outputs first.", path=before.place
        )
    asked = {
        name: Asked((row["delay_change_ms"], -1 if row["polarity_change"] == "yes" else 1), row["setting_delay_ms"])
        for name, row in recommended.items()
    }
    names = matched_names(before, after)
    for name in names.outputs:
        if name not in asked:
            raise DescriptionError(f"it recommends nothing for {name!r}.", "Make it again.", path=before.place)
    described = {name: _described(before, after, name) for name in names.outputs}
    found, base = _best_found(before, after, asked, described)
    exchanged = exchanged_positions(before, after, found, _expected(base, described))
    for pair in exchanged:
        after = with_exchanged(after, pair)
    if exchanged:
        found, base = _best_found(before, after, asked, described)
    visits = visit_of(before), visit_of(after)
    is_heard = not visits[0].is_one_with(visits[1])  # of one visit nothing was measured after
    is_too_alike = is_heard and are_too_alike(before, after)
    heard = [name for name in found.outputs if is_heard and any(pair.output == name for pair in found.pairs)]
    done = {
        name: _with_wire(_measured(found, name, base[name]), (before, after), name, described[name], asked[name])
        if is_heard_with_setting(after, name)
        else replace(_measured(found, name, base[name]), described=described[name])
        for name in heard
    }
    bands = band_gains(before, after, found.pairs)
    seats = seat_gains(bands)
    rows = (_row(name, recommended[name], asked, done.get(name), before, after) for name in recommended)
    optional = [
        name
        for name, row in recommended.items()
        if may_be_left_out(row["decision"], row["kind"], float(row["gain_db"]))
    ]
    settings = _with_left_out(_with_owners(tuple(rows)), optional)
    return Verified(
        before=visits[0],
        after=visits[1],
        settings=tuple(replace(row, reason=_reason(row, done.get(row.output, _UNHEARD))) for row in settings),
        seats=seats,
        verification=bands,
        seat=_headline_seat(before, seats),
        renames=dict(renames or {}),
        remarks=(
            *visits_words(*visits),
            *alike_words(is_too_alike),
            *exchanged_words(exchanged, before.doubts, after.doubts),
            *remarks(found, after, bands),
            *renames_words(renames or {}),
        ),
        exchanged=exchanged,
        is_too_alike=is_too_alike,
        other_sound=tuple(name for name, one in done.items() if one.is_other_sound),
    )


def _described(before: ReportRead, after: ReportRead, name: str) -> Turn:
    """Change of an output's setting as the two descriptions have it."""
    (delay_then, sign_then), (delay_now, sign_now) = before.setting(name), after.setting(name)
    return delay_now - delay_then, sign_now * sign_then


def _best_found(
    before: ReportRead, after: ReportRead, asked: Mapping[str, Asked], described: Mapping[str, Turn]
) -> tuple[Found, dict[str, Turn]]:
    """What was measured, and the change per output it is counted from: as recommended or none, what explains more."""
    names = matched_names(before, after)
    tried = []
    for base in ({name: asked[name].change for name in described}, dict.fromkeys(described, NOTHING)):
        found = found_between(before, after, names, _expected(base, described))
        tried.append((found.times.cost + found.signs.cost, found, base))
    _, found, base = min(tried, key=lambda one: one[0])
    return found, base


def _expected(base: Mapping[str, Turn], described: Mapping[str, Turn]) -> dict[str, Turn]:
    """What is expected of chains whose settings are taken out as described: the change less the one described."""
    return {n: (base[n][0] - described[n][0], base[n][1] * described[n][1]) for n in described}


def _reason(row: Applied, done: Measured) -> str:
    if done.described is not None:
        return described_reason(row, is_other_sound=done.is_other_sound)
    return reason(row, done.odd, done.wire)


def _measured(found: Found, name: str, base: Turn) -> Measured:
    """What was done to one output that was heard at both visits."""
    o = found.outputs.index(name)
    shift = own_shift(found.time_rows, found.times, o, found.typical_spread(found.time_rows, found.times, SCATTER_MS))
    sign = -base[1] if o in found.signs.outputs else base[1]
    other = toggled(found.time_rows, found.times, part_of(found.time_rows, found.times, o))
    other_ms = base[0] + shift_of(found.time_rows, other, ("output", o)).mean
    margin = other.cost - found.times.cost
    odd = tuple(found.positions[p] for p in found.signs.odd[o])
    return Measured((base[0] + shift.mean, sign), shift.std, found.signs.margin[o], other_ms, margin, odd)


def _with_wire(
    done: Measured, visits: tuple[ReportRead, ReportRead], name: str, described: Turn, asked: Asked
) -> Measured:
    """With its wire, if by both reports that turned over, and all else is as the description after says.

    A wire that was right is blamed only where no polarity was to be changed or is described as changed: else whoever
    typed it is likelier.
    """
    if not done.is_sign_told or not is_same(done.rewired, described, done.std_ms):
        return done
    wire = rewired(*visits, name, probability(done.sign_margin))
    is_typed = described[1] < 0 or asked.change[1] < 0
    if wire is None or (is_typed and not wire.is_mended):
        return done
    return replace(done, wire=wire)


def _row(
    name: str,
    recommended: Mapping[str, str | float],
    asked: Mapping[str, Asked],
    done: Measured | None,
    before: ReportRead,
    after: ReportRead,
) -> Applied:
    """One output, its reason still to be written."""
    is_there = name in after.outputs
    delay_then, sign_then = before.setting(name)
    described = after.setting(name) if is_there else (NAN, 1)
    measured = done or _UNHEARD
    is_told = measured.is_sign_told and measured.described is None
    outcome, other = _outcome(name, done, asked)
    confidence = _confidence(name, measured, (outcome, other), asked) if is_told else NAN
    setting = measured.described or measured.change
    if measured.wire is not None and outcome not in DONE:
        setting = measured.rewired
        outcome, other, confidence = _with_rewired(name, measured, measured.wire, asked)
    return Applied(
        output=name,
        kind=str(recommended["kind"]),
        group=str(recommended["group"]),
        decision=str(recommended["decision"]),
        recommended_delay_ms=float(recommended["recommended_delay_ms"]),
        recommended_polarity=str(recommended["recommended_polarity"]),
        described_delay_ms=described[0],
        described_polarity=_POLARITY[described[1]] if is_there else "",
        in_force_delay_ms=delay_then + setting[0],
        in_force_delay_std_ms=NAN if measured.described else measured.std_ms,
        in_force_polarity=_POLARITY[sign_then * setting[1]] if is_told or measured.described else "undecided",
        delay_change_ms=float(recommended["delay_change_ms"]),
        measured_delay_change_ms=NAN if measured.described else measured.change[0],
        polarity_change=str(recommended["polarity_change"]),
        measured_polarity_change=("yes" if measured.change[1] < 0 else "no") if is_told else "undecided",
        outcome=outcome,
        other=other,
        confidence=confidence,
        reason="",
    )


def _outcome(name: str, done: Measured | None, asked: Mapping[str, Asked]) -> tuple[str, str]:
    """What was done, and the output whose change it is where it is another's."""
    if done is None:
        return "not measured", ""
    if done.described is None and not done.is_sign_told:
        return "cannot be told", ""
    change, std_ms = (done.change, done.std_ms) if done.described is None else (done.described, 0.0)
    outcome = outcome_of(change, std_ms, asked[name])
    if outcome in (*DONE, "not applied"):
        return outcome, ""
    owner = owner_of(change, std_ms, name, asked)
    return ("another output's", owner) if owner else (outcome, "")


def _with_rewired(name: str, done: Measured, wire: Rewired, asked: Mapping[str, Asked]) -> tuple[str, str, float]:
    """What was done with a setting if its wire turned over."""
    setting = replace(done, change=done.rewired)
    found = _outcome(name, setting, asked)
    confidence = _confidence(name, setting, found, asked) * wire.confidence
    outcome = "wire mended" if wire.is_mended else "wire inverted"
    return (outcome, "", confidence) if found[0] in DONE else (*found, confidence)


def _with_owners(rows: tuple[Applied, ...]) -> tuple[Applied, ...]:
    """Rows of outputs that were left out say which other one has their change."""
    takers = {row.other: row.output for row in rows if row.outcome == "another output's"}
    return tuple(
        replace(row, other=takers[row.output]) if row.outcome == "not applied" and row.output in takers else row
        for row in rows
    )


def _with_left_out(rows: tuple[Applied, ...], optional: Collection[str]) -> tuple[Applied, ...]:
    """Optional changes that were not made are no mistake, where no output of the group has its own either."""
    made = {row.group or row.output for row in rows if row.outcome != "not applied" or row.other}
    return tuple(
        replace(row, outcome="left out")
        if row.output in optional and row.outcome == "not applied" and (row.group or row.output) not in made
        else row
        for row in rows
    )


def _confidence(name: str, done: Measured, found: tuple[str, str], asked: Mapping[str, Asked]) -> float:
    """Probability that an outcome is right: of its sign, of its delay, and of the explanation that these are from."""
    sure = sureness(done.change, done.std_ms, name, found, asked)
    other = _outcome(name, replace(done, change=(done.other_ms, done.change[1])), asked)
    explained = probability(done.margin) if other != found else 1.0
    return min(sure * explained, probability(done.sign_margin))


def _headline_seat(before: ReportRead, seats: tuple[SeatGain, ...]) -> str:
    """The seat that is named first: of the audience the one of most weight, then where most was predicted."""
    audience = [one for one in seats if one.zone == "audience"]
    if not audience:
        return ""
    return max(audience, key=lambda one: (before.position(one.position)["weight"], one.predicted_change_db)).position
