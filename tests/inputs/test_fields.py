"""Reading one table of a file into a component: units, ranges, and the words of refusals."""

import datetime
import math
from dataclasses import dataclass
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hybridopt.base import units
from hybridopt.base.errors import InputError
from hybridopt.inputs.fields import Place, quantity, read_section, switch

PLACE = Place(Path("car.toml"), "part")


@dataclass(frozen=True)
class Part:
    mass: float = quantity("mass_kg", low=1, high=100)
    speed: float = quantity("speed_rpm", units.RPM, low=0, default=5.0)
    level: float = quantity("level", high=3, default=0.0)
    ratios: tuple[float, ...] = quantity("ratios", 2.0, low=0.5, high=9, default=())
    pump: bool = switch("pump", True)


def read(**table):
    return read_section(Part, {"mass_kg": 10} | table, PLACE)


def test_values_become_si_and_defaults_stay():
    part = read(speed_rpm=60, ratios=[1, 2.5], pump=False)
    assert part.mass == 10 and isinstance(part.mass, float)
    assert part.speed == pytest.approx(2 * math.pi)  # one turn a second
    assert part.ratios == (2.0, 5.0)
    assert part.pump is False
    assert (read().speed, read().pump) == (5.0, True)  # a default is in SI already


def test_given_fields_are_passed_on():
    assert read_section(Part, {"mass_kg": 1}, PLACE, speed=7.0).speed == 7.0


@pytest.mark.parametrize(
    ("factor", "value", "si"),
    [
        (units.RPM, 30, math.pi),  # 30 rpm is half a turn a second
        (units.KM_PER_H, 36, 10),  # 36 km/h is 10 m/s
        (units.PERCENT, 80, 0.8),
        (units.KW, 1.5, 1500),
        (units.AH, 2, 7200),  # 1 Ah is 3600 C
        (units.MJ_PER_KG, 42.9, 42_900),  # J/g
        (units.G_PER_L, 745, 745),
    ],
)
def test_unit_factors(factor, value, si):
    assert value * factor == pytest.approx(si, rel=1e-14)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"mass_kg": None}, "mass_kg: is None; write a finite number"),
        ({"mass_kg": "heavy"}, "mass_kg: is 'heavy'; write a finite number"),
        ({"mass_kg": True}, "mass_kg: is True; write a finite number"),
        ({"mass_kg": math.nan}, "mass_kg: is nan; write a finite number"),
        ({"mass_kg": -math.inf}, "mass_kg: is -inf; write a finite number"),
        ({"mass_kg": {}}, "mass_kg: is {}; write a finite number"),
        ({"mass_kg": [10]}, r"mass_kg: is \[10\]; write a finite number"),
        ({"mass_kg": datetime.date(2000, 1, 1)}, "mass_kg: is datetime.* write a finite number"),
        ({"mass_kg": 0.5}, "mass_kg: is 0.5; allowed is 1 to 100"),
        ({"mass_kg": 101}, "mass_kg: is 101; allowed is 1 to 100"),
        ({"mass_kg": 10**400}, "mass_kg: is too large; allowed is 1 to 100"),
        ({"speed_rpm": -1}, "speed_rpm: is -1; allowed is 0 or more"),
        ({"level": 4}, "level: is 4; allowed is 3 or less"),
        ({"ratios": 3}, "ratios: is 3; write a list of numbers, one per gear"),
        ({"ratios": [1, "a"]}, r"ratios\[1\]: is 'a'; write a finite number"),
        ({"ratios": [1, [2]]}, r"ratios\[1\]: is \[2\]; write a finite number"),
        ({"ratios": [10]}, r"ratios\[0\]: is 10; allowed is 0.5 to 9"),
        ({"pump": 1}, "pump: is 1; write true or false"),
        ({"pump": "yes"}, "pump: is 'yes'; write true or false"),
        ({"mas_kg": 1}, "mas_kg: is not known here; did you mean mass_kg?"),
        ({"speed_rpn": 1}, "speed_rpn: is not known here; did you mean speed_rpm?"),
        ({"xyz": 1}, "xyz: is not known here; known: level, mass_kg, pump, ratios, speed_rpm"),
    ],
)
def test_wrong_values_are_refused(table, message):
    with pytest.raises(InputError, match=message) as caught:
        read(**table)
    assert str(caught.value).startswith("car.toml: [part] ")


def test_missing_key_is_named():
    with pytest.raises(InputError, match=r"car.toml: \[part\] mass_kg: is missing; add it with"):
        read_section(Part, {}, PLACE)


@pytest.mark.parametrize("value", [1, 100, 1.0])
def test_ends_of_a_range_are_allowed(value):
    assert read(mass_kg=value).mass == value


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner),
    max_leaves=5,
)
keys = st.sampled_from(["mass_kg", "speed_rpm", "level", "ratios", "pump"]) | st.text(max_size=8)


@given(st.dictionaries(keys, values, max_size=5))
def test_any_table_gives_a_part_or_an_input_error(table):
    try:
        part = read_section(Part, table, PLACE)
    except InputError as error:
        assert str(error).startswith("car.toml: [part] ")
    else:
        assert set(table) <= {"mass_kg", "speed_rpm", "level", "ratios", "pump"}
        assert 1 <= part.mass <= 100 and isinstance(part.ratios, tuple)
