"""Where controllers come from: names, tables, schedules and users' files."""

import re
import textwrap
from pathlib import Path

import numpy as np
import pytest
from cases import bumpy, closed_loop
from rule_tables import hand_made

from hybridopt import Settings, read_cycle, read_driveline, solve_cycle
from hybridopt.base.errors import InputError
from hybridopt.controllers.builtin import Equivalence, Playback, PowerThresholds
from hybridopt.evaluation.sources import is_code, is_table_file, read_controller, read_schedule
from hybridopt.tables.files import read_rule_set, write_cdf, write_csv, write_json, write_netcdf
from hybridopt.tables.rule_table import RuleTable


def code(tmp_path, text):
    path = tmp_path / "own.py"
    path.write_text(textwrap.dedent(text))
    return path


# --- names and files ---


def test_named_controllers():
    assert isinstance(read_controller("power_thresholds"), PowerThresholds)
    assert read_controller("equivalence", "lines") == Equivalence(gears="lines")


@pytest.mark.long
def test_a_solved_schedule_is_played_back(tmp_path):
    cycle, driveline = read_cycle("ece15"), read_driveline("full")
    result = solve_cycle(cycle, driveline, Settings(soc_points=101, splits=9))
    result.to_netcdf(tmp_path / "solved.nc")
    controller = read_controller(str(tmp_path / "solved.nc"))
    assert isinstance(controller, Playback)
    from hybridopt.controllers.closed_loop import ClosedLoop
    from hybridopt.physics.demand import wheel_demand

    settings = Settings().resolved(driveline)
    drive = ClosedLoop(driveline, wheel_demand(driveline.vehicle, cycle), settings).run(controller)
    cost = result.fuel_g + settings.shift_cost * result.shifts
    assert drive.cost == pytest.approx(cost, rel=1e-9) and not drive.clipped.any()


@pytest.mark.parametrize(
    ("source", "words"),
    [
        ("equivalance", "did you mean equivalence"),
        ("nothing", "is unknown; give a name"),
        ("none.json", "none.json"),
        ("none.nc", "does not exist"),
        ("none.py:rule", "the file none.py does not exist"),
    ],
)
def test_an_unknown_source_is_refused(source, words):
    with pytest.raises(InputError, match=words):
        read_controller(source)


# --- Python files ---


def test_a_function_of_a_file(tmp_path):
    path = code(
        tmp_path,
        """
        from hybridopt.controllers.controller import Command
        def rule(seen):
            return Command(seen.wheel_power > 8e3, 2, None if seen.wheel_power > 8e3 else -1e9)
        """,
    )
    assert is_code(f"{path}:rule")
    drive = closed_loop(bumpy()).run(read_controller(f"{path}:rule"))
    assert 0 < (drive.schedule.engine_class > 0).mean() < 1


def test_a_class_of_a_file_remembers(tmp_path):
    path = code(
        tmp_path,
        """
        from dataclasses import dataclass, field
        @dataclass
        class Rule:
            powers: list = field(default_factory=list)
            def reset(self):
                self.powers.clear()
            def decide(self, seen):
                self.powers.append(seen.wheel_power)
                return sum(self.powers[-5:]) > 3e4, 3, None
        """,
    )
    drive = closed_loop(bumpy()).run(read_controller(f"{path}:Rule"))
    assert np.count_nonzero(drive.schedule.engine_class)


def test_the_rule_of_the_guide_drives(tmp_path):
    guides = Path(__file__).parents[2] / "hybridopt" / "guide"
    guide = (guides / "controllers.md").read_text(encoding="utf-8")
    (text,) = re.findall(r"^```py\n(.*?)^```$", guide, flags=re.DOTALL | re.MULTILINE)
    path = code(tmp_path, text)
    drive = closed_loop(bumpy()).run(read_controller(f"{path}:rule"))
    assert 0 < (drive.schedule.engine_class > 0).mean() < 1


@pytest.mark.parametrize(
    ("text", "name", "words"),
    [
        ("x = 1", "rule", "has no function or class 'rule'"),
        ("rule = 1", "rule", "has no function or class 'rule'"),
        (
            "1 / 0",
            "rule",
            r"running it: raised ZeroDivisionError \(.*own.py, line 1\): division by",
        ),
        ("def rule(:", "rule", r"running it: raised SyntaxError \(.*own.py, line 1\): "),
        ("import sys; sys.exit(0)", "rule", r"raised SystemExit \(.*own.py, line 1\): 0; mend"),
        ("raise KeyboardInterrupt", "rule", "raised KeyboardInterrupt"),
        ("class Rule:\n  pass", "Rule", "needs the methods reset and decide"),
        ("class Rule:\n  def __init__(self, x): pass", "Rule", "making a Rule: raised TypeError"),
        ("def __getattr__(name):\n  raise ValueError(name)", "rule", "finding it: raised ValueEr"),
    ],
)
def test_a_bad_file_is_refused(tmp_path, text, name, words):
    with pytest.raises(InputError, match=words):
        read_controller(f"{code(tmp_path, text)}:{name}")


# --- rule tables ---


@pytest.mark.long
@pytest.mark.parametrize(
    ("kind", "write"),
    [
        ("rules.json", write_json),
        ("rules.nc", write_netcdf),
        ("rules.cdfx", write_cdf),
        ("", write_csv),
    ],
)
def test_rule_tables_of_a_file_or_folder_drive(tmp_path, kind, write):
    write(hand_made(), tmp_path / kind)
    rule = read_controller(str(tmp_path / kind))
    assert isinstance(rule, RuleTable) and rule.min_off == 3.0
    loop = closed_loop(bumpy(300), terminal="free")
    read, made = loop.run(rule), loop.run(hand_made().table)
    assert (read.schedule.gear == made.schedule.gear).all()
    assert abs(read.soc - made.soc).max() < 1e-9


def test_bad_rule_tables_are_refused(tmp_path):
    path = tmp_path / "rules.json"
    write_json(hand_made(), path)
    path.write_text(path.read_text().replace('"shift_down"', '"shift_over"'))
    with pytest.raises(InputError, match=r"rules.json: tables: shift_down is missing"):
        read_rule_set(path)


def test_a_netcdf_file_is_rules_or_a_schedule(tmp_path):
    write_netcdf(hand_made(), tmp_path / "rules.nc")
    assert is_table_file(str(tmp_path / "rules.nc"))
    with pytest.raises(InputError, match="is no result of this package"):
        read_schedule(tmp_path / "rules.nc")
