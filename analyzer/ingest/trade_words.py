"""Put the words of a column's name into the English of the trade, from other languages and short forms."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

# Words of other languages.
#
# German, French, Italian, Spanish, Portuguese, Dutch, Swedish, Norwegian, Polish, Finnish and Japanese, by
# general dictionaries and from memory; words are listed without accents and stand for their accented
# spelling, too.


_WORDS: Final[dict[str, str]] = {
    "damper": (
        "federweg daempferweg dampferweg daempfer dampfer einfederung amortisseur "
        "ammortizzatore amortiguador amortecedor schokdemper stotdampare stotdemper amortyzator "
        "iskunvaimennin amort ammort ammo"
    ),
    "stroke": "hub",
    "travel": "weg debattement course corsa recorrido curso veerweg ugiecie joustomatka fjadringsvag",
    "front": (
        "vorne vorn avant anteriore delantero delantera dianteiro dianteira voor fram foran przod "
        "przedni przednia etu"
    ),
    "rear": "hinten arriere posteriore trasero trasera traseiro traseira achter bak tyl tylny tylna taka",
    "left": (
        "links gauche sinistro sinistra izquierdo izquierda esquerdo esquerda vanster venstre lewy lewa vasen"
    ),
    "right": (
        "rechts droit droite destro destra derecho derecha direito direita hoger hoyre prawy prawa oikea"
    ),
    "lateral acceleration": "querbeschleunigung",
    "longitudinal acceleration": "laengsbeschleunigung langsbeschleunigung",
    "vertical acceleration": "hochbeschleunigung vertikalbeschleunigung",
    "acceleration": (
        "beschleunigung accelerazione aceleracion aceleracao versnelling akselerasjon "
        "przyspieszenie kiihtyvyys"
    ),
    "lateral": "quer laterale transversale trasversale transversal dwars poprzeczne sivuttais",
    "longitudinal": "laengs langs longitudinale podluzne pitkittais",
    "vertical": "vertikal verticale verticaal pionowe pysty",
    "yaw rate": "gierrate giergeschwindigkeit",
    "roll rate": "wankrate rollrate wankgeschwindigkeit",
    "pitch rate": "nickrate nickgeschwindigkeit",
    "speed": (
        "geschwindigkeit fahrgeschwindigkeit vitesse velocita velocidad velocidade snelheid "
        "hastighet predkosc nopeus"
    ),
    "wheel speed": "radgeschwindigkeit raddrehzahl",
    "steering angle": "lenkwinkel lenkradwinkel",
    "longitude": "laengengrad langengrad longitudine longitud",
    "latitude": "breitengrad latitudine latitud",
    "tyre": "reifen pneu pneumatico neumatico",
    "brake pressure": "bremsdruck",
    "pressure": "druck pression pressione presion pressao",
    "front left": "vl",
    "front right": "vr",
    "rear left": "hl",
    "rear right": "hr",
    "yaw": "lacet imbardata guinada",
    "roll": "roulis rollio balanceo rolagem",
    "pitch": "tangage beccheggio cabeceo arfagem",
    "steering": "volant braquage sterzo volante",
    "wheel": "roue ruota rueda roda wiel hjul kolo",
    "brake": "frein freno freio",
    "engine": "moteur motore motor",
    "suspension": "sospensione suspensao sosp",
}
"""English words -> those of other languages, parted by blanks."""
_FRENCH_CORNERS: Final[dict[str, str]] = {
    "front left": "avg",
    "front right": "avd",
    "rear left": "arg",
    "rear right": "ard",
}
"""Only beside a French word for a damper: ``avg`` is an average elsewhere."""
_FRENCH_PARTS: Final = {"amortisseur", "debattement", "course"}


@dataclass(frozen=True, slots=True)
class _Sides:
    """Words for the ends and sides of a car in one language, short ones among them."""

    front: frozenset[str]
    rear: frozenset[str]
    left: frozenset[str]
    right: frozenset[str]


def _sides(front: str, rear: str, left: str, right: str) -> _Sides:
    return _Sides(*(frozenset(words.split()) for words in (front, rear, left, right)))


_SHORT_SIDES: Final = (
    _sides("front frt fwd", "rear back aft", "left lh lhs l", "right rh rhs r"),
    _sides("ant anteriore", "post posteriore", "sx sin sinistro sinistra", "dx destro destra"),
    _sides("del delantero delantera", "tras trasero trasera", "izq izda", "der dcha"),
    _sides("diant dianteiro dianteira", "tras traseiro traseira", "esq", "dir dta"),
    _sides("av avant", "ar arr arriere", "g gch gauche", "d dr dte droit droite"),
    _sides("vo v vorn vorne", "hi h hinten", "li l links", "re r rechts"),
    _sides("voor", "achter", "l links", "r rechts"),
    _sides("fram foran", "bak", "v vanster venstre", "h hoger hoyre"),
    _sides("przod przedni", "tyl tylny", "l lewy", "p prawy"),
)
"""An end and a side are taken together, in one language: alone, most short ones mean something else."""
_JAPANESE: Final[dict[str, str]] = {
    "stroke": "ストローク",
    "damper": "ダンパー",
    "shock": "ショック",
    "suspension": "サスペンション",
    "front left": "前左 左前",
    "front right": "前右 右前",
    "rear left": "後左 左後",
    "rear right": "後右 右後",
    "lateral acceleration": "横加速度",
    "longitudinal acceleration": "前後加速度",
    "vertical acceleration": "上下加速度",
    "acceleration": "加速度",
    "lateral": "横",
    "longitudinal": "前後",
    "vertical": "上下",
    "yaw rate": "ヨーレート",
    "roll rate": "ロールレート",
    "pitch rate": "ピッチレート",
    "speed": "車速 速度",
    "steering angle": "舵角",
    "steering": "ステアリング",
    "latitude": "緯度",
    "longitude": "経度",
    "wheel speed": "車輪速",
    "tyre": "タイヤ",
    "engine": "エンジン",
}
"""English words -> Japanese ones, parted by blanks."""


def _by_foreign(table: Mapping[str, str]) -> dict[str, str]:
    return {word: english for english, words in table.items() for word in words.split()}


_ENGLISH: Final = _by_foreign(_WORDS)
_ENGLISH_CORNERS: Final = _by_foreign(_FRENCH_CORNERS)
_ENGLISH_OF_JAPANESE: Final = _by_foreign(_JAPANESE)
_CORNERS: Final = "fl fr rl rr lf rf lr vl vr hl hr"
_PARTS: Final = frozenset(
    (
        f"{_CORNERS} acc accel acceleration angle brake damper force front gyro ground height lat lateral "
        "left linpot load long longitudinal pitch pos position pot potentiometer pressure rate rear ride "
        "right roll sensor shock shox speed spring steer steering strut susp suspension temp travel tyre "
        "vehicle velocity vert vertical wheel yaw"
    ).split()
) | frozenset(word for word in _ENGLISH if len(word) >= 4)
"""Words that are written together, one of them behind the other; shorter ones would be found by chance."""
_LONGEST_JOINED: Final = 40
_JOINED: Final = {"latg": "lat g", "longg": "long g", "vertg": "vert g"}
_JAPANESE_PARTS: Final = re.compile("|".join(sorted(_ENGLISH_OF_JAPANESE, key=len, reverse=True)))
"""Japanese is written without blanks: the longest word that fits is taken."""


def spaced(name: str) -> str:
    """Return a column name with Japanese words in English and apart from each other."""
    return _JAPANESE_PARTS.sub(lambda hit: f" {_ENGLISH_OF_JAPANESE[hit.group()]} ", name)


def trade_words(words: Sequence[str]) -> list[str]:
    """Return words in lower case with those of other languages put into English, compounds taken apart."""
    plain = [part for word in words for part in _apart(_without_accents(word))]
    plain = _with_corner(plain)
    known = _ENGLISH | (_ENGLISH_CORNERS if _FRENCH_PARTS & set(plain) else {})
    return [part for word in plain for part in known.get(word, word).split()]


def _with_corner(words: list[str]) -> list[str]:
    """Put short words for an end and a side of the car into English where one language has both."""
    for sides in _SHORT_SIDES:
        meant = {
            word: english
            for word in words
            for english in ("front", "rear", "left", "right")
            if word in getattr(sides, english)
        }
        if len(meant) == 2 and len({"front", "rear"} & set(meant.values())) == 1:
            return [meant.get(word, word) for word in words]
    return words


def _apart(word: str) -> list[str]:
    """Return the trade words that a word is joined of, ``shockpot`` for instance; itself when it is not."""
    if word in _JOINED:
        return _JOINED[word].split()
    if word in _PARTS or len(word) > _LONGEST_JOINED:
        return [word]
    for end in range(len(word) - 2, 1, -1):
        if word[:end] in _PARTS:
            rest = _apart(word[end:])
            if all(part in _PARTS for part in rest):
                return [word[:end], *rest]
    return [word]


_STROKES: Final = str.maketrans("łø", "lo")


def _without_accents(word: str) -> str:
    # The stroke through a letter is no accent to Unicode.
    plain = word.translate(_STROKES)
    return "".join(c for c in unicodedata.normalize("NFKD", plain) if not unicodedata.combining(c))
