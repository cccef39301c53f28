"""Column names in other languages, put into the trade words that `guess` knows.

German, French, Italian, Spanish, Portuguese and Japanese, by general dictionaries and from memory; words
are listed without accents and stand for their accented spelling, too.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from typing import Final

_WORDS: Final[dict[str, str]] = {
    "damper": (
        "federweg daempferweg dampferweg daempfer dampfer einfederung amortisseur "
        "ammortizzatore amortiguador amortecedor"
    ),
    "stroke": "hub",
    "travel": "weg debattement course corsa recorrido curso",
    "front": "vorne vorn avant anteriore delantero delantera dianteiro dianteira",
    "rear": "hinten arriere posteriore trasero trasera traseiro traseira",
    "left": "links gauche sinistro sinistra izquierdo izquierda esquerdo esquerda",
    "right": "rechts droit droite destro destra derecho derecha direito direita",
    "lateral acceleration": "querbeschleunigung",
    "longitudinal acceleration": "laengsbeschleunigung langsbeschleunigung",
    "vertical acceleration": "hochbeschleunigung vertikalbeschleunigung",
    "acceleration": "beschleunigung accelerazione aceleracion aceleracao",
    "lateral": "quer laterale transversale trasversale transversal",
    "longitudinal": "laengs langs longitudinale",
    "vertical": "vertikal verticale",
    "yaw rate": "gierrate giergeschwindigkeit",
    "roll rate": "wankrate rollrate wankgeschwindigkeit",
    "pitch rate": "nickrate nickgeschwindigkeit",
    "speed": "geschwindigkeit fahrgeschwindigkeit vitesse velocita velocidad velocidade",
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
    "wheel": "roue ruota rueda roda",
    "brake": "frein freno freio",
    "engine": "moteur motore motor",
    "suspension": "sospensione suspensao",
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
_JAPANESE_PARTS: Final = re.compile("|".join(sorted(_ENGLISH_OF_JAPANESE, key=len, reverse=True)))
"""Japanese is written without blanks: the longest word that fits is taken."""


def spaced(name: str) -> str:
    """Return a column name with Japanese words in English and apart from each other."""
    return _JAPANESE_PARTS.sub(lambda hit: f" {_ENGLISH_OF_JAPANESE[hit.group()]} ", name)


def trade_words(words: Sequence[str]) -> list[str]:
    """Return words in lower case with those of other languages put into English."""
    plain = [_without_accents(word) for word in words]
    known = _ENGLISH | (_ENGLISH_CORNERS if _FRENCH_PARTS & set(plain) else {})
    return [part for word in plain for part in known.get(word, word).split()]


def _without_accents(word: str) -> str:
    return "".join(c for c in unicodedata.normalize("NFKD", word) if not unicodedata.combining(c))
