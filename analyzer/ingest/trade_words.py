"""Put the words of a column's name into the English of the trade, from other languages and short forms."""

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

# Words of other languages.
#
# German, French, Italian, Spanish, Portuguese, Dutch, Swedish, Norwegian, Danish, Polish, Finnish and
# Japanese, by general dictionaries and from memory; words are listed without accents and stand for their
# accented spelling, too.


_WORDS: Final[dict[str, str]] = {
    "damper": (
        "federweg daempferweg dampferweg daempfer dampfer einfederung amortisseur debattement "
        "ammortizzatore ammortizzatori amortiguador amortecedor schokdemper schokbreker demper veerweg "
        "stotdampare stotdemper stoddaemper dampare damparlage fjadringsvag amortyzator amortyzatora ugiecie "
        "iskunvaimennin joustomatka amort ammort ammo amm"
    ),
    "stroke": "hub",
    "travel": "weg course corsa recorrido curso skok liikematka",
    "potentiometer": "poti potenziometro potenciometro potentiometre potencjometr potentiometri",
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
    "lateral acceleration": "querbeschleunigung sidoacceleration sideakselerasjon",
    "longitudinal acceleration": "laengsbeschleunigung langsbeschleunigung langsacceleration",
    "vertical acceleration": "hochbeschleunigung vertikalbeschleunigung vertikalacceleration",
    "acceleration": (
        "beschleunigung accelerazione aceleracion aceleracao versnelling akselerasjon "
        "przyspieszenie kiihtyvyys beschl acel przysp kiiht"
    ),
    "lateral": (
        "quer laterale transversale trasversale transversal dwars poprzeczne boczne sivuttais sida sido tvaer"
    ),
    "longitudinal": ("laengs langs longitudinale longitudinell podluzne wzdluzne pitkittais"),
    "vertical": "vertikal verticale verticaal pionowe pionie pysty hoch lodret",
    "yaw rate": (
        "gierrate giergeschwindigkeit gierwinkelgeschwindigkeit giersnelheid girhastighet girvinkelhastighet "
        "girhastighed"
    ),
    "roll rate": (
        "wankrate rollrate wankgeschwindigkeit rollwinkelgeschwindigkeit wankwinkelgeschwindigkeit "
        "rolsnelheid rollhastighet rollvinkelhastighet "
        "krangningshastighet kraengningshastighed"
    ),
    "pitch rate": (
        "nickrate nickgeschwindigkeit nickwinkelgeschwindigkeit stampsnelheid nickhastighet "
        "nickvinkelhastighet tipphastighet nikhastighed"
    ),
    "gyro": "giroscopio giroscopo giroskop gyroskop gyroscoop zyroskop gyroscope girometro",
    "gyro rate": (
        "drehrate drehgeschwindigkeit winkelgeschwindigkeit hoeksnelheid vinkelhastighet katowa kulmanopeus"
    ),
    "speed": (
        "geschwindigkeit vitesse velocita velocidad velocidade snelheid hastighet predkosc nopeus vel geschw "
        "fart hastighed"
    ),
    "vehicle speed": (
        "fahrgeschwindigkeit fahrzeuggeschwindigkeit voertuigsnelheid fordonshastighet bilhastighet ajonopeus"
    ),
    "vehicle": "fahrzeug fzg voertuig fordon vehicule veicolo vehiculo veiculo pojazd pojazdu auto",
    "wheel speed": "radgeschwindigkeit raddrehzahl wielsnelheid hjulhastighet pyorannopeus",
    "steering angle": (
        "lenkwinkel lenkradwinkel stuurhoek stuurwielhoek rattvinkel ratvinkel styrvinkel ohjauskulma skretu"
    ),
    "steering": (
        "lenkrad lenkung volant braquage sterzo volante stuur stuurwiel ratt kierownica kierownicy ohjaus"
    ),
    "angle": "winkel angolo angulo hoek vinkel kat kulma",
    "longitude": "laengengrad langengrad longitudine longitud lengtegraad pituusaste",
    "latitude": "breitengrad latitudine latitud breedtegraad leveysaste",
    "tyre": "reifen pneu pneumatico neumatico gomma band banden dack opona opony rengas",
    "brake pressure": "bremsdruck remdruck bromstryck",
    "pressure": "druck pression pressione presion pressao cisnienie",
    "front left": "vl linksvoor",
    "front right": "vr rechtsvoor",
    "rear left": "hl linksachter",
    "rear right": "hr rechtsachter",
    "yaw": "lacet imbardata guinada gieren gier gir odchylenia odchylenie",
    "roll": "roulis rollio balanceo rolagem wanken wank rollen rol krangning przechylu przechyl",
    "pitch": "tangage beccheggio cabeceo arfagem nicken nick stampen stamp tipp pochylenia pochylenie",
    "rate": "taux tasa taxa",
    "wheel": "roue ruota rueda roda wiel hjul kolo kola",
    "brake": "frein freno freio",
    "engine": "moteur motore motor silnika silnik",
    "suspension": "sospensione suspensao sosp vering fjadring zawieszenie",
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
_CORNER_LETTERS: Final = (
    ("ammortizzatore ammort ammo amm sospensione sosp corsa potenziometro", "as ad ps pd"),
    ("amortiguador suspension recorrido potenciometro", "di dd ti td"),
    ("amortecedor suspensao curso potenciometro", "de dd te td"),
    ("veerweg schokdemper schokbreker demper vering", "lv rv la ra"),
    ("stotdampare stotdemper stoddaemper fjadringsvag dampare damparlage fjadring", "vf hf vb hb"),
    ("amortyzator amortyzatora ugiecie zawieszenie skok", "lp pp lt pt"),
)
"""Words of one language for a damper and its letters for front left, front right, rear left, rear right,
which mean something else without such a word: Italian, Spanish, Portuguese, Dutch, Swedish, Polish."""
_STEERED: Final = {"direccion", "direcao"}
"""Steering beside a word for an angle; the way a car heads, or where a wind comes from, alone."""
_ON_THE_EARTH: Final[dict[str, str]] = {
    "breite": "latitude",
    "szerokosc": "latitude",
    "laenge": "longitude",
    "lange": "longitude",
    "dlugosc": "longitude",
}
"""Words for breadth and length: a position beside a word that says so, or where both are there."""
_EARTHLY: Final = {"gps", "gnss", "geograficzna", "geografische", "geographische"}


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
    _sides("fram foran for", "bak bag", "v vanster venstre", "h hoger hoyre hojre"),
    _sides("przod przedni", "tyl tylny", "l lewy", "p prawy"),
    _sides("fram", "bak", "v", "h"),
)
"""An end and a side are taken together, in one language: alone, most short ones mean something else."""
_JAPANESE: Final[dict[str, str]] = {
    "stroke": "ストローク",
    "displacement": "変位",
    "damper": "ダンパー",
    "shock": "ショック",
    "suspension": "サスペンション サス",
    "gyro rate": "角速度",
    "gyro": "ジャイロ",
    "front": "フロント 前",
    "rear": "リア リヤ 後",
    "left": "左",
    "right": "右",
    "yaw": "ヨー",
    "roll": "ロール",
    "pitch": "ピッチ",
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
    "steering angle": "舵角 操舵角 ハンドル角",
    "steering": "ステアリング ハンドル",
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
_LETTERS: Final = re.compile(r"[^\W\d_]+")
_JOINED: Final = {"latg": "lat g", "longg": "long g", "vertg": "vert g"}
_JAPANESE_PARTS: Final = re.compile("|".join(sorted(_ENGLISH_OF_JAPANESE, key=len, reverse=True)))
"""Japanese is written without blanks: the longest word that fits is taken."""


def spaced(name: str) -> str:
    """Return a column name with Japanese words in English and apart from each other, and without accents."""
    # Accents last: taking them off changes Japanese letters, too.
    return _without_accents(_JAPANESE_PARTS.sub(lambda hit: f" {_ENGLISH_OF_JAPANESE[hit.group()]} ", name))


def trade_words(words: Sequence[str]) -> list[str]:
    """Return words in lower case with those of other languages put into English, compounds taken apart."""
    plain = [part for word in words for part in _apart(_without_accents(word))]
    plain = _with_corner(_with_corner_letters(plain))
    known = dict(_ENGLISH)
    if _FRENCH_PARTS & set(plain):
        known |= _ENGLISH_CORNERS
    if _EARTHLY & set(plain):
        known |= _ON_THE_EARTH
    if "angle" in {known.get(word, word) for word in plain}:
        known |= dict.fromkeys(_STEERED, "steering")
    # "Giro X" is a gyroscope in Spain and Portugal, a lap in Italy.
    if {"x", "y", "z"} & set(plain):
        known["giro"] = "gyro"
    return [part for word in plain for part in known.get(word, word).split()]


def known_words(text: str) -> int:
    """Return how many words of a line are words of the trade in another language than English."""
    return sum(_without_accents(word) in _PARTS for word in _LETTERS.findall(text.lower()))


def breadth_and_length(word: str) -> str | None:
    """Return which of a position a word for breadth or length is, where both are there; None for others."""
    return _ON_THE_EARTH.get(_without_accents(word.lower()))


def _with_corner_letters(words: list[str]) -> list[str]:
    """Put two letters for a corner into English beside a damper of the language they belong to."""
    for parts, corners in _CORNER_LETTERS:
        places = [k for k, word in enumerate(words) if word in corners.split()]
        if places and set(parts.split()) & set(words):
            # The last one: "curso de amortecedor DD" has a word of two letters before.
            english = ("front left", "front right", "rear left", "rear right")
            meant = english[corners.split().index(words[places[-1]])]
            return [*words[: places[-1]], *meant.split(), *words[places[-1] + 1 :]]
    return words


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


_STROKES: Final = str.maketrans({"ł": "l", "ø": "o", "Ł": "L", "Ø": "O", "æ": "ae", "Æ": "AE"})


def _without_accents(word: str) -> str:
    # The stroke through a letter, and two letters in one, are no accents to Unicode.
    plain = word.translate(_STROKES)
    return "".join(c for c in unicodedata.normalize("NFKD", plain) if not unicodedata.combining(c))
