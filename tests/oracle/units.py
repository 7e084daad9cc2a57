"""Factors to the storage units by PyPI pint, for every unit that the model knows.

Prints CSV: signal, unit, value in the storage unit of one unit (temperatures: of 100 units).
Run: python units.py > data/units.csv   (versions stand in the first line of the output)
"""

import platform

import pint

UNITS = {
    "mass_flow": ("kg/h", {
        "kg/h": "kg/h", "kg/min": "kg/min", "kg/s": "kg/s", "g/s": "g/s", "t/h": "metric_ton/h",
        "t/d": "metric_ton/day", "lb/h": "lb/h", "lb/min": "lb/min", "lb/s": "lb/s",
        "lb/d": "lb/day", "short ton/h": "short_ton/h", "short ton/d": "short_ton/day",
        "long ton/h": "long_ton/h",
    }),
    "volume_flow": ("m^3/h", {
        "m3/h": "m^3/h", "m3/d": "m^3/day", "m3/s": "m^3/s", "m3/min": "m^3/min", "L/s": "L/s",
        "L/min": "L/min", "L/h": "L/h", "hL/h": "hL/h", "US gal/min": "gallon/min",
        "UK gal/min": "imperial_gallon/min", "barrel/d": "oil_barrel/day",
        "barrel/h": "oil_barrel/h", "ft3/min": "ft^3/min", "ft3/h": "ft^3/h",
    }),
    "density": ("kg/m^3", {
        "kg/m3": "kg/m^3", "g/cm3": "g/cm^3", "g/L": "g/L", "kg/L": "kg/L",
        "t/m3": "metric_ton/m^3", "lb/ft3": "lb/ft^3", "lb/US gal": "lb/gallon",
        "lb/UK gal": "lb/imperial_gallon", "lb/in3": "lb/in^3",
    }),
    "pressure": ("kPa", {
        "kPa": "kPa", "Pa": "Pa", "MPa": "MPa", "bar": "bar", "mbar": "mbar", "psi": "psi",
        "atm": "atm", "kgf/cm2": "kgf/cm^2", "torr": "torr", "mmHg": "mmHg", "inHg": "inHg",
        "inH2O": "inH2O", "ftH2O": "ftH2O",
    }),
    "temperature": ("degC", {"degC": "degC", "K": "kelvin", "degF": "degF", "degR": "degR"}),
    "tube_frequency": ("Hz", {"Hz": "Hz", "1/min": "1/min"}),
    "pickoff_inlet": ("mV", {"mV": "mV", "V": "V"}),
    "pickoff_outlet": ("mV", {"mV": "mV", "V": "V"}),
    "drive_gain": ("percent", {"%": "percent", "1": "dimensionless"}),
}


def main():
    registry = pint.UnitRegistry()
    print(f"# Python {platform.python_version()}, pint {pint.__version__}")
    print("signal,unit,stored")
    for signal, (storage, units) in UNITS.items():
        value = 100.0 if signal == "temperature" else 1.0
        for name, other in units.items():
            stored = registry.Quantity(value, other).to(storage).magnitude
            print(f"{signal},{name},{stored!r}")


main()
