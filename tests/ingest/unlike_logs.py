"""Logs of unlike make, drawn by chance from a seed: one run as five strangers' loggers would write it.

Names come from ten languages by the words of the general dictionary and short forms in use (common practice, no
source), written in several ways; units stand beside the name, in a row of their own, or nowhere. Blanks between
samples, clocks, encodings, delimiters and the signs of sensors are drawn, too. What was drawn is the truth.
"""

# ruff: noqa: E501  (a table reads best with one case a line)
from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Final

import numpy as np
import pandas as pd
from ingest.paddock_logs import written
from ingest.session_faults import COLUMN, sample_run

from analyzer.core.units import CORNERS, STANDARD_GRAVITY

LOGS_OF_A_SEED: Final = 5


@dataclass(frozen=True)
class Language:
    """Words of a language as people write them above columns; lists are parted by ``|``.

    Parameters
    ----------
    damper : str
        What the travel of a damper is called; ``*`` stands where the corner goes, behind it when there is none.
    corners : tuple of str
        Sets of four names: front left, front right, rear left, rear right.
    accel, gyro : tuple of str
        Names of the axes x, y, z.
    speed, steer, latitude, longitude, time : str
        Their names.
    wheel, tyre : str
        Of a wheel's speed and a tyre's temperature, with ``*`` for the corner.
    others : str
        Columns that are no channel of this program.
    """

    damper: str
    corners: tuple[str, ...]
    accel: tuple[str, str, str]
    gyro: tuple[str, str, str]
    speed: str
    steer: str
    latitude: str
    longitude: str
    time: str
    wheel: str
    tyre: str
    others: str


LANGUAGES: Final = {
    "English": Language(
        damper="Damper *|Shock Pos *|Susp *|Suspension Travel *|* Damper Travel|* Shock|Pot *|Linear Pot *|* Strut Pos",
        corners=("FL|FR|RL|RR", "LF|RF|LR|RR", "Front Left|Front Right|Rear Left|Rear Right",
                 "left front|right front|left rear|right rear"),
        accel=("Long Accel|Acc X|G Long|Longitudinal Acceleration|Inline G|Accel Fore Aft",
               "Lat Accel|Acc Y|G Lat|Lateral Acceleration|Lateral G|Accel Lateral",
               "Vert Accel|Acc Z|G Vert|Vertical Acceleration|Vertical G|Accel Vertical"),
        gyro=("Roll Rate|Gyro X|Gyro Roll|Angular Rate Roll|Roll Velocity",
              "Pitch Rate|Gyro Y|Gyro Pitch|Angular Rate Pitch|Pitch Velocity",
              "Yaw Rate|Gyro Z|Gyro Yaw|Angular Rate Yaw|Yaw Velocity"),
        speed="Speed|GPS Speed|Vehicle Speed|Ground Speed|Velocity",
        steer="Steering Angle|Steer|Steering Wheel Angle|Steer Pos|Steering",
        latitude="Latitude|GPS Lat|GPS Latitude", longitude="Longitude|GPS Lon|GPS Longitude",
        time="Time|Timestamp|Elapsed Time|Sample Time|Log Time",
        wheel="Wheel Speed *|* Wheel Spd", tyre="Tyre Temp *|* Tire Temperature",
        others="Engine RPM|Throttle|Brake Pressure Front|Brake Pressure Rear|Oil Temp|Battery|Lap|Gear|GPS Heading|"
               "GPS Satellites|Altitude|Lambda|Combined G",
    ),
    "German": Language(
        damper="Federweg *|Dämpferweg *|Dämpfer *|Einfederung *|Federweg Sensor *|Hub Dämpfer *|* Federweg|Poti *",
        corners=("VL|VR|HL|HR", "vorne links|vorne rechts|hinten links|hinten rechts",
                 "vorn li|vorn re|hinten li|hinten re", "links vorne|rechts vorne|links hinten|rechts hinten"),
        accel=("Längsbeschleunigung|Beschleunigung längs|Beschl. X|Längs-G|a längs",
               "Querbeschleunigung|Beschleunigung quer|Beschl. Y|Quer-G|a quer",
               "Vertikalbeschleunigung|Beschleunigung vertikal|Beschl. Z|Hoch-G|a hoch"),
        gyro=("Wankrate|Rollrate|Drehrate X|Wankgeschwindigkeit|Drehrate Wanken",
              "Nickrate|Nickwinkelgeschwindigkeit|Drehrate Y|Nickgeschwindigkeit|Drehrate Nicken",
              "Gierrate|Gierwinkelgeschwindigkeit|Drehrate Z|Giergeschwindigkeit|Drehrate Gieren"),
        speed="Geschwindigkeit|Fahrgeschwindigkeit|GPS Geschwindigkeit|Fzg-Geschwindigkeit",
        steer="Lenkwinkel|Lenkradwinkel|Lenkung Winkel|Lenkrad",
        latitude="Breitengrad|GPS Breite|Breite", longitude="Längengrad|GPS Länge|Länge",
        time="Zeit|Zeitstempel|Messzeit|Laufzeit",
        wheel="Raddrehzahl *|Radgeschwindigkeit *", tyre="Reifentemperatur *|Reifentemp *",
        others="Motordrehzahl|Drosselklappe|Bremsdruck vorne|Bremsdruck hinten|Öltemperatur|Bordspannung|Runde|Gang|Kurs|"
               "Satelliten|Höhe",
    ),
    "French": Language(
        damper="Débattement *|Amortisseur *|Course amortisseur *|Suspension *|Capteur amortisseur *|Course susp. *",
        corners=("AVG|AVD|ARG|ARD", "avant gauche|avant droit|arrière gauche|arrière droit",
                 "AV G|AV D|AR G|AR D", "av.g|av.d|ar.g|ar.d"),
        accel=("Accélération longitudinale|Acc. long.|G longitudinal|Acc X",
               "Accélération latérale|Acc. lat.|G latéral|Acc Y",
               "Accélération verticale|Acc. vert.|G vertical|Acc Z"),
        gyro=("Vitesse de roulis|Roulis|Gyro X|Taux de roulis|Gyro roulis",
              "Vitesse de tangage|Tangage|Gyro Y|Taux de tangage|Gyro tangage",
              "Vitesse de lacet|Lacet|Gyro Z|Taux de lacet|Gyro lacet"),
        speed="Vitesse|Vitesse GPS|Vitesse véhicule",
        steer="Angle volant|Volant|Angle de braquage|Braquage",
        latitude="Latitude|Latitude GPS", longitude="Longitude|Longitude GPS",
        time="Temps|Horodatage|Heure|Temps écoulé",
        wheel="Vitesse roue *", tyre="Température pneu *|Temp. pneu *",
        others="Régime moteur|Papillon|Pression frein avant|Pression frein arrière|Température huile|Batterie|Tour|Rapport|"
               "Cap|Satellites|Altitude",
    ),
    "Italian": Language(
        damper="Ammortizzatore *|Corsa ammortizzatore *|Sospensione *|Corsa sosp. *|Amm. *|Potenziometro *",
        corners=("ant. sx|ant. dx|post. sx|post. dx", "AntSx|AntDx|PostSx|PostDx",
                 "anteriore sinistro|anteriore destro|posteriore sinistro|posteriore destro", "AS|AD|PS|PD"),
        accel=("Accelerazione longitudinale|Acc. long.|G longitudinale|Acc X",
               "Accelerazione laterale|Acc. lat.|G laterale|Acc Y",
               "Accelerazione verticale|Acc. vert.|G verticale|Acc Z"),
        gyro=("Velocità di rollio|Rollio|Gyro X|Giroscopio X|Vel. rollio",
              "Velocità di beccheggio|Beccheggio|Gyro Y|Giroscopio Y|Vel. beccheggio",
              "Velocità di imbardata|Imbardata|Gyro Z|Giroscopio Z|Vel. imbardata"),
        speed="Velocità|Velocità GPS|Velocità veicolo",
        steer="Angolo sterzo|Sterzo|Angolo volante|Volante",
        latitude="Latitudine|Latitudine GPS", longitude="Longitudine|Longitudine GPS",
        time="Tempo|Ora|Tempo trascorso",
        wheel="Velocità ruota *|Vel. ruota *", tyre="Temperatura gomma *|Temp. pneumatico *",
        others="Giri motore|Farfalla|Pressione freno ant|Pressione freno post|Temperatura olio|Batteria|Giro|Marcia|Rotta|"
               "Satelliti|Quota",
    ),
    "Spanish": Language(
        damper="Amortiguador *|Recorrido amortiguador *|Suspensión *|Recorrido susp. *|Potenciómetro *",
        corners=("del. izq.|del. der.|tras. izq.|tras. der.", "DelIzq|DelDer|TrasIzq|TrasDer", "DI|DD|TI|TD",
                 "delantero izquierdo|delantero derecho|trasero izquierdo|trasero derecho"),
        accel=("Aceleración longitudinal|Acel. long.|G longitudinal|Acel X",
               "Aceleración lateral|Acel. lat.|G lateral|Acel Y",
               "Aceleración vertical|Acel. vert.|G vertical|Acel Z"),
        gyro=("Velocidad de balanceo|Balanceo|Giro X|Giróscopo X|Tasa de balanceo",
              "Velocidad de cabeceo|Cabeceo|Giro Y|Giróscopo Y|Tasa de cabeceo",
              "Velocidad de guiñada|Guiñada|Giro Z|Giróscopo Z|Tasa de guiñada"),
        speed="Velocidad|Velocidad GPS|Velocidad vehículo",
        steer="Ángulo volante|Ángulo de dirección|Volante|Dirección",
        latitude="Latitud|Latitud GPS", longitude="Longitud|Longitud GPS",
        time="Tiempo|Hora|Tiempo transcurrido",
        wheel="Velocidad rueda *|Vel. rueda *", tyre="Temperatura neumático *|Temp. neumático *",
        others="RPM motor|Acelerador|Presión freno del|Presión freno tras|Temperatura aceite|Batería|Vuelta|Marcha|Rumbo|"
               "Satélites|Altitud",
    ),
    "Portuguese": Language(
        damper="Amortecedor *|Curso amortecedor *|Suspensão *|Curso susp. *|Potenciômetro *",
        corners=("diant. esq.|diant. dir.|tras. esq.|tras. dir.", "DE|DD|TE|TD",
                 "dianteiro esquerdo|dianteiro direito|traseiro esquerdo|traseiro direito"),
        accel=("Aceleração longitudinal|Acel. long.|G longitudinal|Acel X",
               "Aceleração lateral|Acel. lat.|G lateral|Acel Y",
               "Aceleração vertical|Acel. vert.|G vertical|Acel Z"),
        gyro=("Velocidade de rolagem|Rolagem|Giro X|Taxa de rolagem|Giroscópio X",
              "Velocidade de arfagem|Arfagem|Giro Y|Taxa de arfagem|Giroscópio Y",
              "Velocidade de guinada|Guinada|Giro Z|Taxa de guinada|Giroscópio Z"),
        speed="Velocidade|Velocidade GPS|Velocidade do veículo",
        steer="Ângulo do volante|Volante|Ângulo de direção|Direção",
        latitude="Latitude|Latitude GPS", longitude="Longitude|Longitude GPS",
        time="Tempo|Hora|Tempo decorrido",
        wheel="Velocidade roda *|Vel. roda *", tyre="Temperatura pneu *|Temp. pneu *",
        others="RPM motor|Acelerador|Pressão freio diant|Pressão freio tras|Temperatura óleo|Bateria|Volta|Marcha|Rumo|"
               "Satélites|Altitude",
    ),
    "Dutch": Language(
        damper="Veerweg *|Schokdemper *|Demper *|Vering *|Schokdemper positie *",
        corners=("LV|RV|LA|RA", "links voor|rechts voor|links achter|rechts achter",
                 "voor links|voor rechts|achter links|achter rechts", "linksvoor|rechtsvoor|linksachter|rechtsachter"),
        accel=("Langsversnelling|Versnelling langs|Versnelling X|Langs G",
               "Dwarsversnelling|Versnelling dwars|Versnelling Y|Dwars G",
               "Verticale versnelling|Versnelling verticaal|Versnelling Z|Verticaal G"),
        gyro=("Rolsnelheid|Gyro X|Gyro rol|Rol hoeksnelheid",
              "Stampsnelheid|Gyro Y|Gyro stampen|Stamp hoeksnelheid",
              "Giersnelheid|Gyro Z|Gyro gieren|Gier hoeksnelheid"),
        speed="Snelheid|GPS snelheid|Voertuigsnelheid",
        steer="Stuurhoek|Stuurwielhoek|Stuur",
        latitude="Breedtegraad|GPS breedtegraad", longitude="Lengtegraad|GPS lengtegraad",
        time="Tijd|Tijdstempel|Verstreken tijd",
        wheel="Wielsnelheid *", tyre="Bandentemperatuur *|Bandtemp *",
        others="Motortoerental|Gasklep|Remdruk voor|Remdruk achter|Olietemperatuur|Accuspanning|Ronde|Versnelling|Koers|"
               "Satellieten|Hoogte",
    ),
    "Swedish": Language(
        damper="Stötdämpare *|Fjädringsväg *|Dämpare *|Fjädring *|Dämparläge *",
        corners=("VF|HF|VB|HB", "vänster fram|höger fram|vänster bak|höger bak",
                 "fram vänster|fram höger|bak vänster|bak höger", "Fram V|Fram H|Bak V|Bak H"),
        accel=("Longitudinell acceleration|Längsacceleration|Acc X|G längs",
               "Lateral acceleration|Sidoacceleration|Acc Y|G sida",
               "Vertikal acceleration|Vertikalacceleration|Acc Z|G vertikal"),
        gyro=("Rollhastighet|Gyro X|Gyro roll|Krängningshastighet",
              "Nickhastighet|Gyro Y|Gyro nick|Tipphastighet",
              "Girhastighet|Gyro Z|Gyro gir|Girvinkelhastighet"),
        speed="Hastighet|GPS hastighet|Fordonshastighet",
        steer="Rattvinkel|Styrvinkel|Ratt",
        latitude="Latitud|GPS latitud", longitude="Longitud|GPS longitud",
        time="Tid|Tidsstämpel|Förfluten tid",
        wheel="Hjulhastighet *", tyre="Däcktemperatur *|Däcktemp *",
        others="Motorvarvtal|Gasspjäll|Bromstryck fram|Bromstryck bak|Oljetemperatur|Batterispänning|Varv|Växel|Kurs|"
               "Satelliter|Höjd",
    ),
    "Polish": Language(
        damper="Amortyzator *|Ugięcie *|Zawieszenie *|Skok amortyzatora *|Ugięcie amortyzatora *",
        corners=("LP|PP|LT|PT", "lewy przód|prawy przód|lewy tył|prawy tył",
                 "przedni lewy|przedni prawy|tylny lewy|tylny prawy", "przód lewy|przód prawy|tył lewy|tył prawy"),
        accel=("Przyspieszenie wzdłużne|Przyspieszenie podłużne|Przysp. X|G wzdłużne",
               "Przyspieszenie poprzeczne|Przyspieszenie boczne|Przysp. Y|G poprzeczne",
               "Przyspieszenie pionowe|Przyspieszenie w pionie|Przysp. Z|G pionowe"),
        gyro=("Prędkość przechyłu|Gyro X|Żyroskop X|Prędkość kątowa przechyłu",
              "Prędkość pochylenia|Gyro Y|Żyroskop Y|Prędkość kątowa pochylenia",
              "Prędkość odchylenia|Gyro Z|Żyroskop Z|Prędkość kątowa odchylenia"),
        speed="Prędkość|Prędkość GPS|Prędkość pojazdu",
        steer="Kąt kierownicy|Kierownica|Kąt skrętu",
        latitude="Szerokość geograficzna|GPS szerokość", longitude="Długość geograficzna|GPS długość",
        time="Czas|Znacznik czasu|Czas pomiaru",
        wheel="Prędkość koła *", tyre="Temperatura opony *|Temp. opony *",
        others="Obroty silnika|Przepustnica|Ciśnienie hamulca przód|Ciśnienie hamulca tył|Temperatura oleju|Akumulator|"
               "Okrążenie|Bieg|Kurs|Satelity|Wysokość",
    ),
    "Japanese": Language(
        damper="ストローク*|ダンパー*|*ストローク|サスペンション*|ショック*|ダンパーストローク *",
        corners=("FL|FR|RL|RR", "左前|右前|左後|右後", "前左|前右|後左|後右", "左フロント|右フロント|左リア|右リア"),
        accel=("前後加速度|前後G|加速度X", "横加速度|横G|加速度Y", "上下加速度|上下G|加速度Z"),
        gyro=("ロールレート|ロール角速度|角速度X|ジャイロX", "ピッチレート|ピッチ角速度|角速度Y|ジャイロY",
              "ヨーレート|ヨー角速度|角速度Z|ジャイロZ"),
        speed="車速|速度|GPS速度", steer="舵角|ステアリング舵角|ハンドル角|操舵角",
        latitude="緯度|GPS緯度", longitude="経度|GPS経度", time="時間|時刻|経過時間",
        wheel="車輪速*|*車輪速", tyre="タイヤ温度*",
        others="エンジン回転数|スロットル|ブレーキ圧前|ブレーキ圧後|油温|バッテリー|ラップ|ギア|方位|衛星数|高度",
    ),
}  # fmt: skip
POT_SCALES: Final = {"mm": (1.0, 90.0), "in": (1 / 25.4, 3.5), "V": (0.02, 2.4), "counts": (20.0, 2000.0)}
"""What a pot reads for a millimetre, and at static ride height."""
DELIMITERS: Final = (",", ";", "\t")
ENCODINGS: Final = ("utf-8", "utf-8-sig", "utf-16", "cp1252")


@dataclass(frozen=True)
class Truth:
    """What a house channel truly is in a log.

    Parameters
    ----------
    column : str
        The name, without what stands beside it.
    unit : str
        Of its values; "V" or "counts" for a pot's own signal.
    sign : int
        -1 where the sensor counts the other way.
    """

    column: str
    unit: str
    sign: int


@dataclass(frozen=True)
class Unlike:
    """How one stranger's logger writes.

    Parameters
    ----------
    language : str
        Of its names.
    truth : dict
        House channel -> `Truth`.
    clock : str or None
        Its time column; None where it writes none.
    names : tuple of str
        All columns in the order they stand.
    seed : tuple of int
        Of what the other columns hold.
    make : _Make
        How it writes a file.
    """

    language: str
    truth: dict[str, Truth]
    clock: str | None
    names: tuple[str, ...]
    seed: tuple[int, int]
    make: _Make

    def write(self, run: str = "r02") -> bytes:
        """Return a run of the sample session as this logger writes it."""
        return self.make.write(sample_run(run), self)


@dataclass(frozen=True)
class _Make:
    delimiter: str
    decimal: str
    encoding: str
    units: str
    blanks: bool
    clock: str
    preamble: bool
    end: str

    def write(self, table: pd.DataFrame, log: Unlike) -> bytes:
        rng = np.random.default_rng(log.seed)
        count = np.arange(len(table))
        columns: dict[str, object] = {}
        if log.clock is not None:
            columns["clock"] = self._stamps(table["Time"].to_numpy())
        for house, true in log.truth.items():
            values = true.sign * _in_unit(table[COLUMN[house]].to_numpy(float), house, true)
            if self.blanks and house in ("speed", "latitude", "longitude"):
                values = np.where(count % 20, np.nan, values)
            if self.blanks and house.startswith(("accel", "gyro", "steer")):
                values = np.where(count % 2, np.nan, values)
            columns[house] = values
        speed = _in_unit(table["Speed"].to_numpy(float), "speed", Truth("", "km/h", 1))
        others = [name for name in log.names if name not in {t.column for t in log.truth.values()}]
        for place, name in enumerate(n for n in others if n != log.clock):
            columns[f"other {place}"] = _other(place, name, speed, rng)
        return self._text(pd.DataFrame(columns), log)

    def _text(self, table: pd.DataFrame, log: Unlike) -> bytes:
        column_of = {t.column: (house, t.unit) for house, t in log.truth.items()}
        keys, heads, units = [], [], []
        others = iter([key for key in table.columns if str(key).startswith("other ")])
        for name in log.names:
            key, unit = column_of.get(name, ("", ""))
            if name == log.clock:
                key, unit = "clock", {"s": "s", "ms": "ms", "epoch": "ms"}.get(self.clock, "")
            keys.append(key or next(others))
            unit = (
                "" if key.startswith("damper") and unit in ("V", "counts") and self.units == "none" else unit
            )
            shown = "" if self.units in ("none", "row") or not unit else unit
            heads.append(
                {"square": f"{name} [{shown}]", "round": f"{name} ({shown})"}.get(self.units, name)
                if shown
                else name
            )
            units.append(unit)
        digits = {"clock": "%s" if self.clock == "day" else "%.3f" if self.clock == "s" else "%.0f"}
        digits |= {"latitude": "%.6f", "longitude": "%.6f"}
        text = written(table[keys], self.delimiter, self.decimal, heads, digits, self.end)
        if self.units == "row":
            head, _, rows = text.partition(self.end)
            text = f"{head}{self.end}{self.delimiter.join(units)}{self.end}{rows}"
        if self.preamble:
            d = self.delimiter
            text = f"Log{d}12{self.end}Car{d}blue coupe{self.end}{self.end}{text}"
        return text.encode(self.encoding)

    def _stamps(self, time: np.ndarray) -> list[object]:
        if self.clock == "day":
            start = datetime(2031, 6, 14, 18, 20, 5, 250000, tzinfo=UTC).timestamp()
            return [
                datetime.fromtimestamp(start + t, UTC).strftime("%H:%M:%S.%f")[:12] for t in time.tolist()
            ]
        scale, offset = {"s": (1.0, 37.5), "ms": (1000.0, 4711.0), "epoch": (1000.0, 1.9391e12)}[self.clock]
        return list(scale * time + offset)


def _in_unit(values: np.ndarray, house: str, true: Truth) -> np.ndarray:
    """Return the sample session's values (V, g, deg/s, km/h, deg) in a unit of the log."""
    if house.startswith("damper"):
        side = -1.0 if house.endswith("RR") else 1.0
        mm = side * (values - 2.5) / 0.025
        scale = POT_SCALES[true.unit]
        got = scale[0] * mm + true.sign * scale[1]
        return np.round(got) if true.unit == "counts" else got
    factor = {
        "g": 1.0, "m/s2": STANDARD_GRAVITY, "mg": 1000.0, "deg/s": 1.0, "rad/s": np.pi / 180.0,
        "km/h": 1.0, "mph": 1 / 1.609344, "m/s": 1 / 3.6, "deg": 1.0,
    }[true.unit]  # fmt: skip
    return factor * values


def _other(place: int, name: str, speed: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Return what a column holds that is no channel of this program."""
    slow = np.cumsum(rng.normal(0.0, 0.02, len(speed)))
    if (
        name.startswith(("\u8eca", "Wheel", "Rad", "Vit", "Vel", "Wiel", "Hjul", "Pr\u0119d"))
        or "Wheel" in name
    ):
        return speed * (1.0 + 0.01 * place)
    return 60.0 + 7.0 * place + slow


def unlike_logs(seed: int) -> list[Unlike]:
    """Return how five loggers write, each in another language, drawn from `seed`."""
    rng = np.random.default_rng([20, seed])
    tongues = rng.choice(sorted(LANGUAGES), LOGS_OF_A_SEED, replace=False)
    return [
        _drawn(str(name), np.random.default_rng([21, seed, k]), (seed, k)) for k, name in enumerate(tongues)
    ]


def _drawn(tongue: str, rng: np.random.Generator, seed: tuple[int, int]) -> Unlike:
    words = LANGUAGES[tongue]

    def one(choices: str) -> str:
        return str(rng.choice(choices.split("|")))

    def of_axes(named: tuple[str, str, str]) -> list[str]:
        # One logger names its three axes alike.
        place = int(rng.integers(min(len(axis.split("|")) for axis in named)))
        return [axis.split("|")[place] for axis in named]

    def sign(chance: float) -> int:
        return -1 if rng.random() < chance else 1

    corners = str(rng.choice(list(words.corners))).split("|")
    damper, wheel, tyre = one(words.damper), one(words.wheel), one(words.tyre)
    style = rng.choice(["plain", "plain", "low", "joined", "dots"]) if tongue != "Japanese" else "plain"
    pot = str(rng.choice(["mm", "mm", "in", "V", "counts"]))
    force, turn = str(rng.choice(["g", "g", "m/s2", "mg"])), str(rng.choice(["deg/s", "deg/s", "rad/s"]))
    fast = str(rng.choice(["km/h", "km/h", "mph", "m/s"]))
    compressed = sign(0.3)
    truth: dict[str, Truth] = {}
    for corner, name in zip(CORNERS, corners, strict=True):
        truth[f"damper_{corner}"] = Truth(_styled(damper.replace("*", name), style), pot, compressed)
    axes, turns = of_axes(words.accel), of_axes(words.gyro)
    for axis, name in zip("xyz", axes, strict=True):
        truth[f"accel_{axis}"] = Truth(_styled(name, style), force, sign(0.25))
    for axis, name in zip("xyz", turns, strict=True):
        truth[f"gyro_{axis}"] = Truth(_styled(name, style), turn, sign(0.25))
    truth["speed"] = Truth(_styled(one(words.speed), style), fast, 1)
    truth["steer_angle"] = Truth(_styled(one(words.steer), style), "deg", sign(0.3))
    if rng.random() < 0.7:
        truth["latitude"] = Truth(_styled(one(words.latitude), style), "deg", 1)
        truth["longitude"] = Truth(_styled(one(words.longitude), style), "deg", 1)
    others = [_styled(name, style) for name in words.others.split("|")]
    others = list(rng.choice(others, int(rng.integers(3, 8)), replace=False))
    if rng.random() < 0.6:
        others += [_styled(wheel.replace("*", name), style) for name in corners]
    if rng.random() < 0.5:
        others += [_styled(tyre.replace("*", name), style) for name in corners]
    clock = None if rng.random() < 0.1 else _styled(one(words.time), style)
    units = str(rng.choice(["square", "square", "round", "row", "none"]))
    names = [t.column for t in truth.values()] + [str(name) for name in dict.fromkeys(others)]
    names = [str(name) for name in rng.permutation(names)]
    names = names if clock is None else [clock, *names]
    delimiter = str(rng.choice(DELIMITERS))
    decimal = "," if delimiter != "," and rng.random() < 0.5 else "."
    encoding = str(rng.choice(ENCODINGS))
    try:
        "".join(names).encode(encoding)
    except UnicodeEncodeError:
        encoding = "utf-8"
    make = _Make(
        delimiter, decimal, encoding, units, bool(rng.random() < 0.5 and clock is not None),
        str(rng.choice(["s", "s", "ms", "day", "epoch"])), bool(rng.random() < 0.4),
        str(rng.choice(["\n", "\r\n"])),
    )  # fmt: skip
    return Unlike(tongue, truth, clock, tuple(names), seed, make)


def _styled(name: str, style: str) -> str:
    """Return a name as a logger writes it: with blanks, low lines, dots, or words joined by capitals."""
    if style == "plain":
        return name
    words = name.replace(".", " ").replace("-", " ").split()
    if style == "joined":
        return "".join(word[0].upper() + word[1:] for word in words)
    return {"low": "_", "dots": "."}[str(style)].join(words)
