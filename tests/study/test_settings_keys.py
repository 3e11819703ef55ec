"""Settings as study files name them: every one has a key with its unit, and arrives in SI."""

import dataclasses
from pathlib import Path

import pytest

from hybridopt import Settings
from hybridopt.base.errors import InputError
from hybridopt.inputs.fields import Place
from hybridopt.study.settings_keys import SETTING_KEYS, settings_of

PLACE = Place(Path("study.toml"), "settings")


def test_keys_are_those_that_users_have():
    """Regression only: study files and scripts rely on these names, and on options like them."""
    keys = (
        "soc_points splits soc_min_percent soc_max_percent soc_start_percent terminal "
        "soc_target_percent two_sided start_cost_g shift_cost_g min_on_time_s min_off_time_s "
        "min_gear_time_s min_reversal_time_s torque_rise_Nm_per_s torque_fall_Nm_per_s "
        "stop_speed_max_km_per_h stop_soc_min_percent stop_oil_temperature_C "
        "ambient_temperature_C oil_temperature_start_C temperature_nodes "
        "nox_price_g_per_g hc_price_g_per_g co_price_g_per_g particulates_price_g_per_g "
        "nox_limit_g_per_km hc_limit_g_per_km co_limit_g_per_km particulates_limit_g_per_km "
        "heating_start_s "
        "brake_shift_speed_km_per_h skip_shifts gear_start engine_on_start penalty_factor "
        "memory_limit_GB thermal_limits corridor wanted_gap_percent"
    ).split()
    assert list(SETTING_KEYS) == keys
    names = [field.name for field in dataclasses.fields(Settings)]
    assert [setting.name for setting in SETTING_KEYS.values()] == names
    options = ["--" + key.lower().replace("_", "-") for key in keys]
    assert [setting.option for setting in SETTING_KEYS.values()] == options


def test_inhibitors_arrive_in_si():
    """72 km/h are 20 m/s, 45 % are 0.45."""
    given = {
        "min_on_time_s": 3,
        "min_off_time_s": 4.5,
        "min_gear_time_s": 2,
        "stop_speed_max_km_per_h": 72,
        "stop_soc_min_percent": 45,
        "stop_oil_temperature_C": 40,
        "brake_shift_speed_km_per_h": 18,
        "skip_shifts": "up",
    }
    wanted = Settings(
        min_on_time=3.0,
        min_off_time=4.5,
        min_gear_time=2.0,
        stop_speed_max=20.0,
        stop_soc_min=0.45,
        stop_oil_temperature=40.0,
        brake_shift_speed=5.0,
        skip_shifts="up",
    )
    found, expected = dataclasses.asdict(settings_of(given, PLACE)), dataclasses.asdict(wanted)
    assert found == {name: pytest.approx(value) for name, value in expected.items()}


@pytest.mark.parametrize(
    ("key", "value", "words"),
    [
        ("min_on_time_s", -1, "min_on_time is -1.0; allowed is 0 to 3600 s"),
        ("min_on_time", 1, "did you mean min_on_time_s"),
        ("stop_speed_max_km_per_h", "fast", "write a finite number"),
        ("skip_shifts", 1, "write a word"),
        ("skip_shifts", "some", "allowed is both or up or down or none"),
        ("stop_oil_temperature_C", True, "write a finite number"),
    ],
)
def test_wrong_values_get_one_sentence(key, value, words):
    with pytest.raises(InputError) as caught:
        settings_of({key: value}, PLACE)
    text = str(caught.value)
    assert words in text and text.startswith("study.toml: [settings]") and "\n" not in text
