"""Unit factors against NIST SP 811 (2008), appendix B.8."""

import pytest

from calc.kinds import KINDS
from calc.quantities import understand

NIST_SP_811 = [
    ("1 mph", "speed", 0.44704),
    ("1 km/h", "speed", 1 / 3.6),
    ("1 kn", "speed", 1852 / 3600),
    ("1 ft", "distance", 0.3048),
    ("1 in", "length", 0.0254),
    ("1 yd", "distance", 0.9144),
    ("1 mi", "trip", 1609.344),
    ("1 lb", "mass", 0.45359237),
    ("1 hp", "power", 745.69987158227),
    ("1 PS", "power", 735.49875),
    ("1 kJ", "energy", 1 / 3.6),
    ("1 lb-ft", "torque", 1.3558179483314),
    ("1 Wh/mi", "consumption", 0.62137119223733),
    ("0 °F", "temperature", -17.777777777778),
    ("-40 °F", "temperature", -40.0),
    ("1 inHg", "pressure", 3386.389),
]


@pytest.mark.parametrize(("text", "kind", "stored"), NIST_SP_811)
def test_factor(text, kind, stored):
    assert understand(text, kind) == pytest.approx(stored, rel=1e-6)


def test_every_example_is_understood_as_what_it_is_an_example_of():
    for kind in KINDS.values():
        for text in kind.example.split(" or "):
            assert understand(text, kind.name), (kind.name, text)


def test_every_spelling_has_the_dimension_of_its_kind():
    # pint 0.25.3 on its own registry.
    from pint import UnitRegistry

    unit = UnitRegistry()
    for kind in KINDS.values():
        for pint_unit in kind.spellings.values():
            assert unit.Unit(pint_unit).is_compatible_with(kind.stored), (kind.name, pint_unit)
