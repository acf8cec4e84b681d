"""The kinds of quantities: the unit each is stored in, the units it is shown in, and how it may be typed."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Shown:
    """A unit as a page writes it, and as pint knows it."""

    label: str
    unit: str


@dataclass(frozen=True)
class Kind:
    """One kind of quantity: the unit it is stored in, the units it is shown in, and how it may be typed."""

    name: str
    stored: str
    metric: Shown
    imperial: Shown
    example: str
    spellings: dict[str, str]

    @property
    def noun(self) -> str:
        """What people call it; several kinds may share a word and differ only in the unit shown."""
        return _NOUNS.get(self.name, self.name)

    def shown_in(self, system: str) -> Shown:
        return self.imperial if system == "imperial" else self.metric


def _kind(name: str, stored: str, metric: Shown, imperial: Shown | None, example: str, spellings: str) -> Kind:
    """`spellings` is "pint-unit: spelling spelling; pint-unit: …" with the words people type."""
    table = {}
    for group in spellings.split(";"):
        unit, words = group.split(":", 1)
        table.update({word.replace("_", " "): unit.strip() for word in words.split()})
    return Kind(name, stored, metric, imperial or metric, example, table)


_LENGTHS = (
    "meter: m metre metres meter meters; kilometer: km; centimeter: cm; millimeter: mm; foot: ft foot feet ';"
    'inch: in inch inches "; yard: yd yard yards; mile: mi mile miles'
)
_DURATIONS = (
    "second: s sec secs second seconds; minute: min mins minute minutes; hour: h hr hrs hour hours; millisecond: ms"
)
_KIND_LIST = [
    _kind("distance", "meter", Shown("m", "meter"), Shown("ft", "foot"), "110 yd", _LENGTHS),
    _kind("trip", "meter", Shown("km", "kilometer"), Shown("mi", "mile"), "10.8 km", _LENGTHS),
    _kind("length", "meter", Shown("m", "meter"), Shown("in", "inch"), "1.45 m", _LENGTHS),
    _kind("small length", "meter", Shown("mm", "millimeter"), Shown("in", "inch"), "12.7 mm", _LENGTHS),
    _kind("thickness", "centimeter", Shown("cm", "centimeter"), Shown("in", "inch"), "34 cm", _LENGTHS),
    _kind("duration", "second", Shown("s", "second"), None, "7,33 s", _DURATIONS),
    _kind("runtime", "second", Shown("min", "minute"), None, "15 min or 4 h 33 min", _DURATIONS),
    _kind(
        "speed",
        "meter/second",
        Shown("km/h", "kilometer/hour"),
        Shown("mph", "mile/hour"),
        "31 mph",
        "kilometer/hour: km/h kmh kph; mile/hour: mph mi/h; meter/second: m/s mps; knot: kn kt knots",
    ),
    _kind(
        "mass",
        "kilogram",
        Shown("kg", "kilogram"),
        Shown("lb", "pound"),
        "78 kg",
        "kilogram: kg kilo kilos; gram: g; pound: lb lbs pound pounds; metric_ton: t",
    ),
    _kind("voltage", "volt", Shown("V", "volt"), None, "50.4 V", "volt: V volt volts; millivolt: mV; kilovolt: kV"),
    _kind("current", "ampere", Shown("A", "ampere"), None, "120 A", "ampere: A amp amps; milliampere: mA"),
    _kind(
        "charge",
        "ampere*hour",
        Shown("Ah", "ampere*hour"),
        None,
        "38 Ah",
        "ampere*hour: Ah amp-hours; milliampere*hour: mAh",
    ),
    _kind(
        "energy",
        "watt*hour",
        Shown("Wh", "watt*hour"),
        None,
        "2.6 kWh",
        "watt*hour: Wh; kilowatt*hour: kWh; kilojoule: kJ; megajoule: MJ",
    ),
    _kind(
        "power",
        "watt",
        Shown("W", "watt"),
        None,
        "4.5 kW",
        "watt: W watt watts; kilowatt: kW; horsepower: hp; metric_horsepower: PS",
    ),
    _kind("resistance", "ohm", Shown("mΩ", "milliohm"), None, "35 mΩ", "milliohm: mΩ mohm mOhm; ohm: Ω ohm ohms"),
    _kind("resistor", "ohm", Shown("Ω", "ohm"), None, "100 Ω", "ohm: Ω ohm ohms; kiloohm: kΩ kohm kOhm; milliohm: mΩ"),
    _kind(
        "temperature",
        "degree_Celsius",
        Shown("°C", "degree_Celsius"),
        Shown("°F", "degree_Fahrenheit"),
        "-12 °C",
        "degree_Celsius: °C C degC; degree_Fahrenheit: °F F degF; kelvin: K",
    ),
    _kind(
        "temperature difference",
        "delta_degree_Celsius",
        Shown("°C", "delta_degree_Celsius"),
        Shown("°F", "delta_degree_Fahrenheit"),
        "12 °C",
        "delta_degree_Celsius: °C C; delta_degree_Fahrenheit: °F F; kelvin: K",
    ),
    _kind(
        "consumption",
        "watt*hour/kilometer",
        Shown("Wh/km", "watt*hour/kilometer"),
        Shown("Wh/mi", "watt*hour/mile"),
        "14.2 Wh/km",
        "watt*hour/kilometer: Wh/km; watt*hour/mile: Wh/mi Wh/mile; kilowatt*hour/kilometer: kWh/km",
    ),
    _kind(
        "motor constant",
        "revolution/minute/volt",
        Shown("rpm/V", "revolution/minute/volt"),
        None,
        "95 rpm/V",
        "revolution/minute/volt: rpm/V Kv KV",
    ),
    _kind(
        "rotation", "revolution/minute", Shown("rpm", "revolution/minute"), None, "3780 rpm", "revolution/minute: rpm"
    ),
    _kind(
        "torque",
        "newton*meter",
        Shown("N·m", "newton*meter"),
        Shown("lbf·ft", "foot*pound_force"),
        "15 N·m",
        "newton*meter: N·m Nm N*m; foot*pound_force: lbf·ft lb-ft ft-lb lbf-ft",
    ),
    _kind(
        "frame rate", "1/second", Shown("frames/s", "1/second"), None, "29.97 frames/s", "1/second: frames/s fps Hz 1/s"
    ),
    _kind(
        "acceleration",
        "standard_gravity",
        Shown("g", "standard_gravity"),
        None,
        "0.6 g",
        "standard_gravity: g; meter/second**2: m/s² m/s2",
    ),
    _kind("angle", "degree", Shown("°", "degree"), None, "62.1°", "degree: ° deg degrees"),
    _kind(
        "pressure",
        "pascal",
        Shown("hPa", "hectopascal"),
        Shown("inHg", "inch_Hg"),
        "1013 hPa",
        "hectopascal: hPa; pascal: Pa; kilopascal: kPa; millibar: mbar; inch_Hg: inHg",
    ),
    _kind(
        "stiffness",
        "newton/meter",
        Shown("N/mm", "newton/millimeter"),
        None,
        "40 N/mm",
        "newton/millimeter: N/mm; newton/meter: N/m; kilonewton/meter: kN/m",
    ),
    _kind("section", "millimeter**2", Shown("mm²", "millimeter**2"), None, "25 mm²", "millimeter**2: mm² mm2 sqmm"),
    _kind(
        "capacitance", "microfarad", Shown("µF", "microfarad"), None, "2200 µF", "microfarad: µF μF uF; millifarad: mF"
    ),
    _kind("fraction", "dimensionless", Shown("%", "percent"), None, "20 %", "percent: %"),
    _kind("ratio", "dimensionless", Shown("", "dimensionless"), None, "4.7", "dimensionless: ×"),
]
_NOUNS = {
    "trip": "distance",
    "runtime": "duration",
    "small length": "length",
    "thickness": "length",
    "consumption": "energy per distance",
}
KINDS = {kind.name: kind for kind in _KIND_LIST}
