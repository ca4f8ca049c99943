"""Words of the trade in six languages, and what they say of a track: the table that drafts guess from.

They also tell which value of the format was meant by a word that is none of its values.

A text is split at everything that is no letter or digit, where small letters meet capitals, and where letters meet
digits; case and accents do not count. Two words that stand in the table as one (`front fill`, `Hi-Hat`) are one.
Common practice, no source. The rows are English, German, French, Spanish, Italian, Dutch.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cache, lru_cache

#: What kind of output a word names.
KINDS = {
    "monitor": """wedge wedges monitor monitors mon foldback foldbacks sidefill sidefills drumfill drumfills
        stagemonitor moni buhnenmonitor buehnenmonitor bodenmonitor retour retours monitores retorno retornos spia
        spie monitori podiummonitor vloermonitor""",
    "sub": """sub subs subwoofer subwoofers subbass bassbin bassbins
        tiefton tieftoner tieftoener bassbox bassboxen caisson caissons subgrave subgraves graves
        subbasso subbassi sublaag subbas""",
    "fill": """fill fills frontfill frontfills infill infills outfill outfills lipfill lipfills nearfill nearfills
        nahfeld frontfull debouchage relleno riempimento invulling""",
    "tower": """tower towers delay delays delaytower delaytowers delayline
        turm turme tuerme delayturm delayturme verzogerung retard retards rappel rappels
        torre torres retardo retardos torri ritardo ritardi toren torens delaytoren vertraging""",
    "main": """main mains pa array arrays hang hangs outhang outhangs cluster clusters top tops master
        haupt hauptanlage hauptsystem hauptlautsprecher topteil topteile facade facades principal principale
        principaux principales principali hoofd hoofdsysteem""",
}

#: What else the values of the format are called, phrases by key and value.
VALUES = {
    "polarity": {
        "normal": "positive, pos, +, in phase, non inverted, not inverted, regular, standard, straight, off, 0",
        "inverted": "negative, neg, -, out of phase, phase reversed, phase reverse, reversed, reverse, "
        "reverse polarity, flipped, flip, invert, inv, swapped, opposite, antiphase, on, 180, ø",
    },
    "feed_tap": {
        "before": "pre, pre processor, pre dsp, pre delay, desk, console, mixer, mixing desk, input",
        "after": "post, post processor, post dsp, post delay, behind, output, amp, amplifier",
    },
    "adjust": {
        "both": "all, any, everything, yes, true, polarity and delay, delay and polarity",
        "polarity": "phase, invert, flip, polarity only",
        "delay": "time, timing, delay only",
        "none": "no, false, nothing, neither, never, fixed, locked, lock, keep, hold, off",
    },
}

#: What is written of a polarity button, and the value it stands for. Common practice, no source.
BUTTONS = {
    "in": ("inverted", "in, in button, button in, pressed, pressed in, pushed, pushed in, engaged"),
    "out": ("normal", "out, out button, button out, released, not pressed, not in"),
}

#: What a track is, said outright; `signal` is what is played into a system, `input` what a stage gives.
ROLES = {
    "feed": """feed feeds send sends out outs output outputs matrix mtx bus aux loopback playback
        ausgang ausgange ausgaenge zuspieler zuspielung sortie sorties envoi depart salida salidas envio
        uscita uscite mandata uitgang uitgangen""",
    "mic": """mic mics mike mikes microphone microphones measurement measured
        mikro mikros mikrofon mikrofone messmikro messmikrofon messmikrofone messung mess
        micro micros mesure mesures microfono microfonos medicion medida microfoni misura misure
        microfoon microfoons meetmicrofoon meting""",
    "input": """input inputs stagebox eingang eingange eingaenge entree entrees
        entrada entradas ingresso ingressi ingang ingangen""",
    "signal": """pink noise sweep sweeps sine chirp music speech rauschen rosarauschen musik bruit balayage musique
        ruido barrido rumore musica ruis muziek""",
    "handheld": """handheld handrecorder phone smartphone mobile cellphone voicememo memo dictaphone camera camcorder
        handy telefon diktiergerat diktiergeraet kamera telephone portable enregistreur telefono movil grabadora
        cellulare registratore telefoon mobiel""",
}

#: Where a microphone stands.
ZONES = {
    "stage": """stage drummer singer vocalist guitarist bassist keyboarder keyboardist monitorposition
        buhne buehne schlagzeuger sanger saenger sangerin saengerin gitarrist
        scene plateau batteur chanteur chanteuse guitariste escenario tarima cantante baterista
        palco batterista chitarrista podium toneel zanger zangeres""",
    "audience": """foh frontofhouse mix mixposition seat seats row rows audience balcony gallery stalls lawn field
        back rear front centre center middle hall room crowd floor house
        platz platze reihe publikum saal balkon empore parkett rang mitte hinten vorne regie mischpult wiese
        place rangee public salle balcon parterre fond devant milieu pelouse
        asiento fila publico sala mezcla fondo medio centro delante posto pubblico platea regia galleria
        stoel rij publiek zaal midden achter voor""",
}

#: What is counted from the stage, and how far from it a seat is.
_ROWS = "row rows reihe rangee fila rij"
DEPTHS = {"near": "front vorne devant voor", "far": "back rear hinten fond fondo achter"}

#: Instruments, each under the name that its microphones share.
INSTRUMENTS = {
    "kick": "kick kik bd bassdrum grossetrommel grossecaisse bombo cassa grancassa",
    "snare": "snare snares sn sd kleinetrommel caisseclaire caja rullante kleinetrom",
    "hat": "hat hats hihat hihats hh charley charleston",
    "tom": "tom toms floortom standtom timbal timbales timpano",
    "overhead": "oh ohs overhead overheads overhd",
    "cymbals": "ride crash cymbal cymbals china becken cymbale cymbales plato platos piatti bekken bekkens",
    "drums": "drum drums drumkit schlagzeug batterie bateria batteria drumstel",
    "percussion": "perc percs percussion conga congas bongo bongos cajon percusion percussioni percussie",
    "bass": "bass basse bajo basso basgitaar contrabass kontrabass contrebasse contrabajo contrabbasso contrabas",
    "guitar": "gtr gtrs git guitar guitars gitarre gitarren guitare guitares guitarra guitarras chitarra chitarre "
    "gitaar",
    "keys": "keys key keyboard keyboards piano klavier flugel fluegel synth synths organ orgel orgue teclado "
    "tastiera toetsen",
    "voice": "vox vocal vocals voc vocs voice voices bv bvs bgv choir gesang chor voix choeur voz voces coro "
    "voce voci zang koor talkback",
    "brass": "brass horns trumpet trombone sax trompete posaune saxophon trompette trompeta saxo tromba trompet",
    "strings": "strings violin viola cello geige bratsche violon violoncello viool",
}

#: What tells the microphones of one instrument apart.
VARIANTS = """in inside out outside top bottom btm bot under over upper lower beater shell port di direct amp cab
    a b dynamic condenser ribbon innen aussen oben unten dedans dehors dessus dessous dentro fuera arriba abajo fuori
    sopra sotto binnen buiten boven onder mic mics mike micro mikro microfono microfoon"""

SIDES = {
    "left": "left l lh links gauche izquierda izquierdo izq sinistra sinistro sx",
    "right": "right r rh rechts droite derecha derecho dcha destra destro dx",
}

#: Two channels in one file.
_STEREO = "stereo lr"

#: What may stand before the word for an output and belong to its name, per kind.
MODIFIERS = {
    "fill": "front centre center mid near lip in out balcony under delay rear mitte balkon balcon centro centre midden",
    "main": "front centre center mitte centro midden",
    "sub": "centre center rear mitte centro midden",
    "tower": "front rear",
    "monitor": "side drum stage vocal vox",
}

TAKES = """take takes tk takenr pass run durchgang durchlauf aufnahme prise toma ripresa opname"""

#: Words that name nothing.
_FILLERS = """alone solo only all together recording recorded rec audio wav wave file track tracks trk ch chan channel
    channels multitrack test check soundcheck and the with of export stem stems
    allein zusammen spur spuren kanal kanale datei und mit seul ensemble piste pistes canal canales pista piste solo
    juntos tutti insieme traccia tracce canale canali alleen samen spoor kanalen en et"""


@dataclass(frozen=True)
class Word:
    """One word of a text, or two that are one in the table.

    text : as written; plain : in small letters without accents; meanings : what the table says, as `kind:sub`,
    `role:feed`, `zone:stage`, `instrument:kick`, `side:left`, `variant`, `stereo`, `take`, `filler`, `number`
    is_attached : whether it is a number behind letters or letters behind a number, as in `A4`
    """

    text: str
    plain: str
    meanings: frozenset[str]
    is_attached: bool = False

    def first(self, family: str) -> str:
        """What it means in one family (`kind`, `role`, ...); empty if nothing."""
        return min((m.partition(":")[2] for m in self.meanings if m.startswith(f"{family}:")), default="")

    def means(self, *meanings: str) -> bool:
        """Whether any of these is among its meanings; a family counts as any of its members."""
        return any(m in self.meanings or any(own.startswith(f"{m}:") for own in self.meanings) for m in meanings)


def words_of(text: str) -> tuple[Word, ...]:
    """The words of a text, in order.

    >>> [(word.text, sorted(word.meanings)) for word in words_of("02_SubLeft")]
    [('02', ['number']), ('Sub', ['kind:sub']), ('Left', ['side:left'])]
    """
    pieces, table = list(_pieces(text)), _table()
    words, place = [], 0
    while place < len(pieces):
        pair = [piece for piece, _ in pieces[place : place + 2]]
        joined = "".join(plain_text(piece) for piece in pair)
        if len(pair) < 2 or joined not in table or not all(len(piece) > 1 for piece in pair):
            pair = pair[:1]
            joined = plain_text(pair[0])
        meanings = frozenset({"number"}) if joined.isdecimal() else table.get(joined, frozenset())
        words.append(Word(" ".join(pair), joined, meanings, is_attached=pieces[place][1]))
        place += len(pair)
    return tuple(words)


def value_meant(key: str, text: str) -> str:
    """The value of `kind`, `zone`, `polarity`, `feed_tap` or `adjust` that the trade calls so; empty if none.

    >>> value_meant("kind", "drum fill"), value_meant("polarity", "Out of Phase"), value_meant("kind", "bar")
    ('monitor', 'inverted', '')
    """
    words = words_of(text)
    if key in ("kind", "zone"):
        return next((word.first(key) for word in words if word.means(key)), "")
    if button := button_meant(key, text):
        return BUTTONS[button][0]
    phrases = VALUES.get(key, {})
    return next((value for value, others in phrases.items() if _phrase(text) in others.split(", ")), "")


def button_meant(key: str, text: str) -> str:
    """Which way a text says that a polarity button stands, `in` or `out`; empty if it says neither.

    >>> button_meant("polarity", "IN"), button_meant("polarity", "inv"), button_meant("feed_tap", "in")
    ('in', '', '')
    """
    phrase = _phrase(text)
    return next(
        (side for side, (_, others) in BUTTONS.items() if key == "polarity" and phrase in others.split(", ")), ""
    )


def _phrase(text: str) -> str:
    """A text as the phrases of values are written; signs alone stay."""
    return " ".join(word.plain for word in words_of(text)) or text.strip()


def joined_text(words: Iterable[Word]) -> str:
    """Words as one text.

    >>> joined_text(words_of("seat_A4"))
    'seat A4'
    """
    return "".join(word.text if word.is_attached else f" {word.text}" for word in words).strip()


@lru_cache(maxsize=10_000)
def plain_text(text: str) -> str:
    """A text in small letters without accents, for comparison.

    >>> plain_text("Bühne"), plain_text("Straße")
    ('buhne', 'strasse')
    """
    decomposed = unicodedata.normalize("NFKD", text.casefold())
    return "".join(character for character in decomposed if not unicodedata.combining(character))


def _pieces(text: str) -> Iterator[tuple[str, bool]]:
    """A text cut into runs of letters (with what combines with them) and of digits, and before capitals in a run.

    With every piece whether letters meet digits at its start.
    """
    piece, before, is_attached = "", "", False
    for character in unicodedata.normalize("NFC", text):
        sort = {"L": "letter", "M": "letter", "N": "digit"}.get(unicodedata.category(character)[0], "")
        if piece and (sort != before or (piece[-1].islower() and character.isupper())):
            yield piece, is_attached
            piece, is_attached = "", bool(sort) and sort != before
        piece += character if sort else ""
        before = sort
    if piece:
        yield piece, is_attached


@cache
def _table() -> Mapping[str, frozenset[str]]:
    """Every word, and what it means."""
    table: dict[str, set[str]] = {}
    families = {"kind": KINDS, "role": ROLES, "zone": ZONES, "instrument": INSTRUMENTS, "side": SIDES, "depth": DEPTHS}
    for family, rows in families.items():
        for name, text in rows.items():
            for word in text.split():
                table.setdefault(word, set()).add(f"{family}:{name}")
    for name, text in {"variant": VARIANTS, "stereo": _STEREO, "row": _ROWS, "take": TAKES, "filler": _FILLERS}.items():
        for word in text.split():
            table.setdefault(word, set()).add(name)
    for kind, text in MODIFIERS.items():
        for word in text.split():
            table.setdefault(word, set()).add(f"before:{kind}")
    return {word: frozenset(meanings) for word, meanings in table.items()}
