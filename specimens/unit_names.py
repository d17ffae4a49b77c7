"""The words of `units`: which units are known, and how the trade spells them."""

from __future__ import annotations

# Pint's names of the units that are known, without prefix.
KNOWN = frozenset(
    """
    meter inch foot yard mile thou micron angstrom
    gram pound ounce grain metric_ton ton long_ton
    second minute hour day week month year
    newton force_pound force_ounce force_gram dyne kip
    pascal pound_force_per_square_inch bar standard_atmosphere torr meter_Hg inch_Hg
    joule watt_hour calorie british_thermal_unit watt horsepower volt_ampere
    volt ampere ohm siemens farad henry coulomb ampere_hour tesla
    candela lumen lux nit
    liter cubic_centimeter gallon quart fluid_ounce cup tablespoon teaspoon
    kelvin degree_Celsius degree_Fahrenheit degree_Rankine delta_degree_Celsius delta_degree_Fahrenheit
    tex denier poise stokes hectare acre mile_per_hour kilometer_per_hour revolutions_per_minute hertz
    degree radian arcminute turn mole bit byte percent ppm count
    """.split()
)
PREFIXES = frozenset("pico nano micro milli centi deci deca hecto kilo mega giga tera".split())
NO_PREFIX = frozenset("percent ppm count degree minute hour day week month year inch foot yard".split())

# Own base units: they convert to nothing else.
OWN = {"step": "step", "db": "dB", "dba": "dB(A)", "ph": "pH", "shorea": "Shore A", "shored": "Shore D"}

# Spellings that Pint does not know or reads otherwise; upper and lower case as written.
SPELLINGS = {
    "Nm": "newton*meter", "gf": "force_gram", "kgf": "kiloforce_gram", "tf": "megaforce_gram",
    "kp": "kiloforce_gram", "%": "percent", "°": "degree", "A": "ampere", "V": "volt", "W": "watt",
    "Ah": "ampere_hour", "mAh": "milliampere_hour", "Wh": "watt_hour", "kWh": "kilowatt_hour",
    "mWh": "milliwatt_hour", "VA": "volt_ampere", "t": "metric_ton", "l": "liter", "L": "liter",
    "Ω": "ohm", "Btu": "british_thermal_unit", "BTU": "british_thermal_unit",
}
# Spellings whose case says nothing.
WORDS = {
    "mil": "thou", "mils": "thou", "thou": "thou", "thous": "thou", "in": "inch", "ins": "inch",
    "inch": "inch", "inches": "inch", "ft": "foot", "feet": "foot", "foot": "foot", "yd": "yard",
    "yds": "yard", "yard": "yard", "yards": "yard", "metre": "meter",
    "metres": "meter", "meter": "meter", "meters": "meter", "millimetre": "millimeter",
    "millimetres": "millimeter", "centimetre": "centimeter", "centimetres": "centimeter",
    "micrometre": "micrometer", "micrometres": "micrometer", "micron": "micron", "microns": "micron",
    "gram": "gram", "grams": "gram", "gramme": "gram", "grammes": "gram", "kilogram": "kilogram",
    "kilograms": "kilogram", "lb": "pound", "lbs": "pound", "pound": "pound", "pounds": "pound",
    "oz": "ounce", "ounce": "ounce", "ounces": "ounce", "tonne": "metric_ton", "tonnes": "metric_ton",
    "lbf": "force_pound", "lbsf": "force_pound", "ozf": "force_ounce", "newton": "newton",
    "newtons": "newton", "psi": "pound_force_per_square_inch", "kgf": "kiloforce_gram",
    "grf": "force_gram", "second": "second", "seconds": "second", "sec": "second", "secs": "second",
    "min": "minute", "mins": "minute", "minute": "minute", "minutes": "minute", "hr": "hour", "hrs": "hour",
    "hour": "hour", "hours": "hour", "day": "day", "days": "day", "week": "week", "weeks": "week",
    "wk": "week", "month": "month", "months": "month", "year": "year", "years": "year", "yr": "year",
    "litre": "liter", "litres": "liter", "liter": "liter", "liters": "liter", "cc": "cubic_centimeter",
    "floz": "fluid_ounce", "degc": "degree_Celsius", "celsius": "degree_Celsius", "degf": "degree_Fahrenheit",
    "fahrenheit": "degree_Fahrenheit", "degr": "degree_Rankine", "kelvin": "kelvin",
    "delta_degc": "delta_degree_Celsius", "delta_degf": "delta_degree_Fahrenheit", "deg": "degree",
    "degs": "degree", "degree": "degree", "degrees": "degree", "percent": "percent", "pct": "percent",
    "per_cent": "percent", "ppm": "ppm", "rpm": "revolutions_per_minute", "mph": "mile_per_hour",
    "kph": "kilometer_per_hour", "km/h": "kilometer_per_hour", "count": "count", "counts": "count",
    "piece": "count", "pieces": "count", "pc": "count", "pcs": "count", "item": "count", "items": "count",
    "ea": "count", "each": "count", "cycle": "count", "cycles": "count", "turn": "turn",
    "turns": "turn", "atm": "standard_atmosphere", "ohm": "ohm", "ohms": "ohm", "lumen": "lumen",
    "lumens": "lumen", "lux": "lux", "volt": "volt", "volts": "volt", "watt": "watt", "watts": "watt",
    "amp": "ampere", "amps": "ampere", "hp": "horsepower", "gal": "gallon", "gals": "gallon",
    "qt": "quart", "tbsp": "tablespoon", "tsp": "teaspoon", "mmhg": "millimeter_Hg", "inhg": "inch_Hg",
    "ksi": "kilopound_force_per_square_inch",
    "step": "step", "steps": "step", "rating": "step", "ratings": "step", "point": "step", "points": "step",
    "db": "db", "dba": "dba", "ph": "ph", "shorea": "shorea", "shored": "shored",
}
AMBIGUOUS = {
    "ton": "t (1000 kg), short_ton or long_ton", "tons": "t (1000 kg), short_ton or long_ton",
    "pt": "fl oz or ml for a volume, mm for a length", "pint": "fl oz or ml", "pints": "fl oz or ml",
    "c": "degC for a temperature", "f": "degF for a temperature",
}
SYMBOLS = {
    "thou": "mil", "percent": "%", "degree_Celsius": "°C", "degree_Fahrenheit": "°F", "degree": "°",
    "delta_degree_Celsius": "K", "force_gram": "gf", "kiloforce_gram": "kgf", "force_ounce": "ozf",
    "ampere_hour": "Ah", "milliampere_hour": "mAh", "watt_hour": "Wh", "kilowatt_hour": "kWh",
    "milliwatt_hour": "mWh", "pound_force_per_square_inch": "psi", "revolutions_per_minute": "rpm",
    "fluid_ounce": "fl oz", "count": "count", "minute": "min", "hour": "h", "month": "months",
    "micron": "µm", "volt_ampere": "VA", "mile_per_hour": "mph", "kilometer_per_hour": "km/h",
    "tex": "tex", "year": "years", "kilopound_force_per_square_inch": "ksi", "metric_ton": "t",
    **{key: symbol for key, symbol in OWN.items()},
}
MASSES = {"pound": "lbf", "ounce": "ozf", "gram": "gf", "kilogram": "kgf"}
FORCE_FOR = {"lb": "lbf", "lbs": "lbf", "pound": "lbf", "pounds": "lbf", "oz": "ozf", "ounce": "ozf",
              "ounces": "ozf", "g": "gf", "gram": "gf", "grams": "gf", "kg": "kgf", "kilogram": "kgf",
              "kilograms": "kgf", "t": "tf"}
WIDTHS = frozenset({"inch", "thou", "millimeter", "centimeter", "micrometer", "micron"})
LENGTHS = WIDTHS | {"meter", "foot", "yard"}
