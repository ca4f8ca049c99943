"""Settings recommended by one simulated visit and put in force, or not, at another; each made once for all tests."""

from __future__ import annotations

from functools import cache

from visits_making import SECONDS, place

from analyze.archive.opening import ReportRead
from analyze.archive.settings import verify_settings
from analyze.archive.settings_rows import Applied, Verified
from tests.trials.second_visits import report_of
from tests.trials.visits import Change, first_scene, second_scene

#: Subs inverted and too late, the fill far too early.
PRESENT = {
    "main left": (6.0, 1),
    "main right": (6.0, 1),
    "sub left": (14.0, -1),
    "sub right": (14.0, -1),
    "front fill": (3.0, 1),
}
SUBS = ("sub left", "sub right")
POSITIONS = ("mix", "front", "left", "back")


@cache
def first():
    return first_scene(1, settings=PRESENT)


@cache
def before() -> ReportRead:
    return report_of(first(), place() / "settings-before", 900, seconds=SECONDS)


@cache
def recommended() -> dict[str, tuple[float, int]]:
    """Setting per output that is to be changed."""
    rows = [row for row in before().rows("recommendations") if row["decision"] == "change"]
    assert {row["output"] for row in rows} == {*SUBS, "front fill"}
    assert all(row["polarity_change"] == "yes" for row in rows if row["output"] in SUBS)
    return {r["output"]: (r["recommended_delay_ms"], 1 if r["recommended_polarity"] == "normal" else -1) for r in rows}


def change_ms(name: str) -> float:
    return recommended()[name][0] - PRESENT[name][0]


#: What was put in force in truth: (delay_ms, sign) where it is not as recommended. `described` says what stands in the
#: description if that is not the recommendation.
@cache
def cases() -> dict[str, dict[str, tuple[float, int]]]:
    new = recommended()
    return {
        "done": {},
        "not applied": PRESENT,
        "subs with the wrong sign, fill otherwise": {
            **{name: (PRESENT[name][0] - change_ms(name), new[name][1]) for name in SUBS},
            "front fill": (new["front fill"][0] - 2.0, 1),
        },
        "subs not turned over, fill twice": {
            **{name: (new[name][0], -1) for name in SUBS},
            "front fill": (new["front fill"][0] + change_ms("front fill"), 1),
        },
        "fill's change on a sub": {
            "sub right": (PRESENT["sub right"][0] + change_ms("front fill"), -1),
            "front fill": PRESENT["front fill"],
        },
    }


@cache
def after(name: str, described: str = "recommended") -> ReportRead:
    """The report after; the description says what was recommended, or what was there before."""
    said = {**PRESENT, **recommended()} if described == "recommended" else PRESENT
    done = {**PRESENT, **recommended(), **cases()[name]}
    change = Change(
        warmer_c=1.0,
        settings=said,
        later_ms={one: done[one][0] - said[one][0] for one in said},
        flipped=[one for one in said if done[one][1] != said[one][1]],
    )
    number = 901 + 2 * list(cases()).index(name) + (described != "recommended")
    return report_of(second_scene(first(), change), place() / f"settings-{number}", number, change, SECONDS)


@cache
def verified(name: str, described: str = "recommended") -> Verified:
    return verify_settings(before(), after(name, described))


def outcomes(one: Verified) -> dict[str, str]:
    """What was done with every output that is not left alone."""
    return {row.output: row.outcome for row in one.settings if row.outcome != "left alone"}


def row_of(one: Verified, name: str) -> Applied:
    return next(row for row in one.settings if row.output == name)
