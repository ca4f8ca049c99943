"""What names of tracks say, in the languages of the trade. The words are common practice, no source."""

from __future__ import annotations

import pytest

from analyze.description_words import words_of
from analyze.draft_reading import base_key, read_text


@pytest.mark.parametrize(
    ("text", "kind", "key"),
    [
        ("mains feed", "main", ("main",)),
        ("main_left", "main", ("main", "left")),
        ("PA R out", "main", ("main", "right")),
        ("Hauptlautsprecher links Ausgang", "main", ("main", "left")),
        ("façade gauche sortie", "main", ("main", "left")),
        ("principal izquierda salida", "main", ("main", "left")),
        ("principale destra uscita", "main", ("main", "right")),
        ("hoofdsysteem links uitgang", "main", ("main", "left")),
        ("take2_sub_L", "sub", ("sub", "left")),
        ("SubLeft", "sub", ("sub", "left")),
        ("Tieftöner 1", "sub", ("sub", "1")),
        ("caisson droite envoi", "sub", ("sub", "right")),
        ("subgrave envío", "sub", ("sub",)),
        ("Front Fill L send", "fill", ("fill", "frontfill", "left")),
        ("front-fills", "fill", ("fill", "frontfill")),
        ("delay tower feed", "tower", ("tower",)),
        ("Türme links Ausgang", "tower", ("tower", "left")),
        ("torre di ritardo uscita", "tower", ("tower",)),
        ("torre retardo salida", "tower", ("tower",)),
        ("toren 02 uitgang", "tower", ("tower", "2")),
        ("wedge 01", "monitor", ("monitor", "wedge", "1")),
        ("Side Fill R", "monitor", ("monitor", "sidefill", "right")),
        ("retour 1", "monitor", ("monitor", "retour", "1")),
        ("wedge vox", "monitor", ("monitor", "wedge", "vox")),
    ],
)
def test_feeds_name_an_output(text: str, kind: str, key: tuple[str, ...]) -> None:
    reading = read_text(text)
    assert (reading.role, reading.kind, reading.output_key) == ("feed", kind, key)


@pytest.mark.parametrize(
    ("text", "place", "zone"),
    [
        ("mic mix", "mix", "audience"),
        ("mix", "mix", "audience"),
        ("measurement mic row 5", "row 5", "audience"),
        ("Messmikro Platz 12", "Platz 12", "audience"),
        ("micro balcon", "balcon", "audience"),
        ("micrófono fila 3", "fila 3", "audience"),
        ("microfono platea", "platea", "audience"),
        ("microfoon zaal midden", "zaal midden", "audience"),
        ("drummer", "drummer", "stage"),
        ("mic drummer", "drummer", "stage"),
        ("Bühne Mitte", "Bühne Mitte", "stage"),
        ("Buehne", "Buehne", "stage"),
        ("micro scène", "scène", "stage"),
        ("escenario", "escenario", "stage"),
        ("palco centro", "palco centro", "stage"),
        ("podium", "podium", "stage"),
        ("mic_1", "mic 1", ""),
        ("sub_L mic mix", "mix", "audience"),
        ("main_mix", "mix", "audience"),
    ],
)
def test_microphones_name_a_position(text: str, place: str, zone: str) -> None:
    reading = read_text(text)
    assert (reading.role, reading.place, reading.zone) == ("mic", place, zone)


@pytest.mark.parametrize(
    ("texts", "family"),
    [
        (("01 Kick In", "Kick_Out"), "kick"),
        (("Snare Top", "Snare Bottom", "sn btm"), "snare"),
        (("Bass DI", "bass mic", "Bass Amp"), "bass"),
        (("Gtr 1 DI", "guitar 01 mic"), "guitar 1"),
        (("OH L", "Overhead R"), "overhead"),
        (("kleine Trommel oben", "Snare unten"), "snare"),
        (("grosse caisse dedans", "Grosse-Caisse dehors"), "kick"),
        (("caja arriba", "Caja abajo"), "snare"),
        (("rullante sopra", "rullante sotto"), "snare"),
        (("Hi-Hat", "hihat", "HH"), "hat"),
    ],
)
def test_microphones_of_one_instrument_are_a_family(texts: tuple[str, ...], family: str) -> None:
    readings = [read_text(text) for text in texts]
    assert {(reading.role, reading.family) for reading in readings} == {("input", family)}


@pytest.mark.parametrize("text", ["Kick Sub", "Main Vocal", "Vox Delay", "Drum Bus", "vocal mic", "Snare Top"])
def test_an_instrument_is_no_output(text: str) -> None:
    reading = read_text(text)
    assert (reading.role, reading.kind) == ("input", "")


@pytest.mark.parametrize("text", ["", "12", "REC0001", "CH 01", "Track 3", "Spur 2", "20260514", "Susi", "🎸", "left"])
def test_what_says_nothing_is_left_open(text: str) -> None:
    reading = read_text(text)
    assert (reading.role, reading.kind, reading.says_something) == ("", "", False)


@pytest.mark.parametrize(
    ("text", "take"),
    [("take2_sub_L", "2"), ("Take 02 mix", "2"), ("prise 3 mix", "3"), ("Durchgang 1 Platz", "1"), ("sub 2", "")],
)
def test_the_number_of_the_take(text: str, take: str) -> None:
    assert read_text(text).take == take


@pytest.mark.parametrize(
    "text",
    ["handheld", "phone lawn", "Handy Wiese", "téléphone", "grabadora", "registratore", "Voice Memo", "mobiel"],
)
def test_recorders_of_their_own(text: str) -> None:
    reading = read_text(text)
    assert reading.is_handheld
    assert reading.role == "mic"


def test_a_number_before_the_name_and_a_date_are_no_part_of_it() -> None:
    assert read_text("03 Snare Top").place == "Snare Top"
    assert read_text("2026-05-14 mic mix").place == "mix"
    assert read_text("mic mix 20260514").place == "mix"


def test_groups_share_all_but_side_and_number() -> None:
    assert base_key(read_text("sub L").output_key) == base_key(read_text("Sub 2").output_key)
    assert base_key(read_text("front fill L").output_key) == base_key(read_text("front fill right").output_key)
    assert base_key(read_text("front fill L").output_key) != base_key(read_text("balcony fill L").output_key)
    assert base_key(read_text("wedge 1").output_key) != base_key(read_text("wedge 2").output_key)


def test_words_are_cut_at_capitals_digits_and_signs_alone() -> None:
    """Marks that combine with a letter belong to it."""
    assert [word.text for word in words_of("KickIn_02 (हिन्दी)+Bühne2")] == ["Kick", "In", "02", "हिन्दी", "Bühne", "2"]
