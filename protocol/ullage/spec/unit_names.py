"""Names of units that other programs understand, and the nearest one to a name that they do not.

Any text may be a unit here; these lists only advise. SenML and UCUM names are case sensitive. The units of level,
volume, flow, electricity, temperature, ratio, radio, pressure, time and energy were checked against the documents named
below; the others are from memory of them.
"""

import difflib


def _names(text: str) -> frozenset[str]:
    return frozenset(text.split())


# RFC 8428, section 12.1; then RFC 8798, section 3 (new units) and section 4 (secondary units).
SENML = _names(
    """
m kg g s A K cd mol Hz rad sr N Pa J W C V F Ohm S Wb T H Cel lm lx Bq Gy Sv kat m2 m3 l m/s m/s2 m3/s l/s W/m2 cd/m2
bit bit/s lat lon pH dB dBW Bspl count / % %RH %EL EL 1/s 1/min beat/min beats S/m
B VA VAs var vars J/m kg/m3 deg
ms min h MHz kW kVA kvar Ah Wh kWh varh kvarh kVAh Wh/km KiB GB Mbit/s B/s MB/s mV mA dBm ug/m3 mm/h m/h ppm /100 /1000
hPa mm cm km km/h"""
)
"""Units of the sensor measurement lists (RFC 8428, RFC 8798)."""

UCUM = _names(
    """
m dm cm mm um nm km m2 cm2 mm2 m3 dm3 cm3 mm3 L l dL cL mL ml uL hL g kg mg ug t s ms us ns min h d wk mo a
V mV uV kV A mA uA nA W mW uW kW MW Ohm mOhm kOhm MOhm S mS uS F uF nF pF H mH C T mT N kN Hz kHz MHz GHz
Cel K [degF] Pa hPa kPa MPa bar mbar m[H2O] cm[H2O] mm[H2O] m[Hg] mm[Hg] [psi] % [ppth] [ppm] [ppb] [pH] deg rad
B[W] dB[W] J kJ MJ W.h kW.h A.h mA.h lx lm cd m/s mm/s cm/s km/h m/s2 m3/s m3/h m3/d L/s L/min L/h l/s l/min l/h
mm/h mm/d g/L mg/L ug/L g/m3 mg/m3 ug/m3 kg/m3 S/m mS/cm uS/cm W/m2 umol/m2/s By bit bit/s
[ft_i] [in_i] [mi_i] [gal_us] [gal_br] /min /h 1"""
)
"""Codes of The Unified Code for Units of Measure, version 2.2, case sensitive: those common in this trade."""

WORDS = _names(
    """
count counts pulse pulses step steps turn turns tick ticks drop drops beat beats item items code codes octet octets
bit bits byte bytes frame frames station stations start starts error errors level percent day days week weeks
month months year years"""
)
"""Plain words that people read as they are."""

_OTHER_NAMES = {
    name: unit
    for unit, names in {
        "Cel": "degc c celsius deg_c degree_celsius degrees celcius centigrade",
        "[degF]": "degf f fahrenheit",
        "K": "kelvin degk",
        "deg": "degree °",
        "m": "metre meter metres meters mtr",
        "mm": "millimetre millimeter millimetres millimeters",
        "cm": "centimetre centimeter centimetres centimeters",
        "km": "kilometre kilometer kilometres kilometers",
        "m3": "cbm cum m^3 m**3 cubic_metre cubic_meter",
        "m2": "sqm m^2 m**2",
        "L": "litre liter litres liters ltr",
        "mL": "millilitre milliliter millilitres milliliters",
        "m3/h": "cbm/h m^3/h",
        "V": "volt volts",
        "mV": "millivolt millivolts",
        "A": "amp amps ampere amperes",
        "mA": "milliamp milliamps",
        "W": "watt watts",
        "Ohm": "ohms",
        "s": "sec secs second seconds",
        "ms": "msec millisecond milliseconds",
        "min": "minute minutes mins",
        "h": "hr hrs hour hours",
        "Hz": "hertz",
        "Pa": "pascal pascals",
        "hPa": "hectopascal",
        "/100": "pct perc per_cent",
        "%RH": "rh rel_hum",
        "lx": "lux",
        "kg": "kilo kilogram kilograms",
        "g": "gram grams",
        "km/h": "kph kmh",
        "m/s": "mps",
        "count": "cnt",
    }.items()
    for name in names.split()
}
_LETTERS = str.maketrans(
    {
        "µ": "u",
        "μ": "u",
        "²": "2",
        "³": "3",
        "\N{GREEK CAPITAL LETTER OMEGA}": "Ohm",
        "\N{OHM SIGN}": "Ohm",
        "⁻": "-",
        "℃": "Cel",
    }
)


def known(unit: str) -> bool:
    """Whether a unit is a name of SenML, a common code of UCUM, a plain word known here, or "" for a plain number."""
    return not unit or unit in SENML or unit in UCUM or unit in WORDS


def nearest_unit(unit: str) -> str | None:
    """The known unit that a text most likely means, or None."""
    plain = unit.translate(_LETTERS)
    if known(plain):
        return plain
    word = plain.casefold().replace("°", "deg").replace("deg ", "deg").replace(" ", "_").strip(".")
    if word in _OTHER_NAMES:
        return _OTHER_NAMES[word]
    alike = sorted(name for name in SENML | UCUM | WORDS if name.casefold() == word)
    if alike:
        return alike[0]
    found = difflib.get_close_matches(plain, sorted(SENML | UCUM | WORDS), n=1, cutoff=0.7) if len(plain) > 2 else []
    return found[0] if found else None
