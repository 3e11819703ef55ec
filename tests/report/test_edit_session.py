"""Rule tables under edit: what a change does to drives and history, and what is refused."""

import dataclasses
import itertools
import json
import time

import numpy as np
import pytest
from edit_desk import PLAIN, SETTINGS, cases, desk
from rule_tables import hand_made

from hybridopt import InputError, read_cycle, read_rule_set, verify
from hybridopt.base.units import KW
from hybridopt.distillation.drive_figures import _held_short
from hybridopt.distillation.table_drives import solve_cases
from hybridopt.inputs.comfort import Comfort
from hybridopt.report import edit_session
from hybridopt.report.edit_requests import Stale


@pytest.fixture(scope="module")
def solved():
    return cases()


@pytest.fixture
def made(solved, tmp_path):
    return desk(solved, tmp_path)


def edit(made, **given):
    asked = {"table": "engine_start", "rows": [0, 0], "columns": [1, 1], "layer": None}
    asked |= {"do": "edit", "revision": made.session.revision, "operation": "add", "amount": 2.0}
    return made.answer(asked | given)


@pytest.mark.long
def test_drives_are_those_of_verify_with_the_changed_tables(made):
    """`verify` drives the saved file; figures of the page are the same."""
    edit(made, rows=[0, 2], columns=[0, 2], amount=3.0)
    shown = edit(made, table="shift_up", rows=[0, 0], columns=[0, 2], layer=1, amount=-4.0)
    made.answer({"do": "save", "name": "new", "kind": "json", "revision": 3})
    rules = read_rule_set(made.folder / "new.json")
    checks = verify(rules, [read_cycle(n) for n in ("ece15", "eudc")], PLAIN, SETTINGS)
    for drive, check in zip(shown["drives"], checks, strict=True):
        score = check.score
        assert drive["fuel"] == score.fuel_g and drive["gap"] == score.gap_percent
        assert (drive["starts"], drive["shifts"]) == (score.starts, score.shifts)
        assert drive["soc"] == pytest.approx(100.0 * score.soc_end, rel=1e-12)
    assert shown["drives"] != shown["versions"][0]["drives"]


def test_values_come_and_go_in_units_of_the_trade(made):
    before = made.answer({"do": "state"})["values"]["engine_start"][0][1]
    after = edit(made)["values"]["engine_start"][0][1]
    assert before == pytest.approx(9.009) and after == pytest.approx(11.009)
    assert made.session.now.values["engine_start"][0, 1] == pytest.approx(11.009 * KW)
    assert edit(made, operation="scale", amount=0.5)["values"]["engine_start"][0][1] == (
        pytest.approx(5.5045)
    )


def test_undo_redo_and_versions(made):
    first = made.answer({"do": "state"})
    one = edit(made)
    two = edit(made, amount=1.0)
    assert made.answer({"do": "keep", "name": " two  cells ", "revision": 3})["revision"] == 3
    undone = made.answer({"do": "undo", "revision": 3})
    assert undone["values"] == one["values"] and undone["drives"] == one["drives"]
    assert undone["redo"] == "add, engine_start, 1 cell"
    assert made.answer({"do": "redo", "revision": 4})["values"] == two["values"]
    taken = made.answer({"do": "take", "name": "as opened", "revision": 5})
    assert taken["values"] == first["values"] and not taken["unsaved"]
    assert made.answer({"do": "version", "name": "two cells"})["then"] == two["values"]
    back = edit(made, operation="back", version="two cells", amount=None)
    assert back["values"] == two["values"]
    with pytest.raises(InputError, match="nothing to redo"):
        made.answer({"do": "redo", "revision": back["revision"]})


def test_no_more_states_are_kept_than_said(made, monkeypatch):
    monkeypatch.setattr(edit_session, "MOST_STATES", 3)
    for _ in range(5):
        edit(made)
    for left in (2, 1):
        made.session.step(-1)
        assert bool(made.session.undone) == (left == 2)


def test_a_change_of_a_stale_page_changes_nothing(made):
    edit(made)
    before = made.answer({"do": "state"})
    for what in ("edit", "undo", "redo", "keep", "take", "save"):
        with pytest.raises(Stale):
            made.answer({"do": what, "revision": 1, "name": "x", "kind": "json"})
    assert made.answer({"do": "state"}) == before


def test_saved_files_keep_their_origin_and_say_that_they_were_edited(made):
    assert made.answer({"do": "save", "name": "same", "kind": "json", "revision": 1})["saved"]
    assert not read_rule_set(made.folder / "same.json").origin.edited
    edit(made)
    for kind, name in (("json", "a.json"), ("csv", "a")):
        asked = {"do": "save", "name": "a", "kind": kind, "revision": 2}
        assert made.answer(asked)["saved"] == name
        rules = read_rule_set(made.folder / name)
        opened = made.session.opened.origin
        assert rules.origin.edited and rules.origin.training == opened.training
        assert (rules.origin.title, rules.origin.cycles) == (opened.title, opened.cycles)
        np.testing.assert_allclose(
            rules.table.engine_start.values, made.session.now.values["engine_start"], rtol=1e-11
        )
        edit(made, revision=2, amount=0.0)
        assert made.answer(asked)["exists"] == name
        assert made.answer(asked | {"replace": True})["saved"] == name
    assert not made.session.unsaved
    assert edit(made)["unsaved"]


@pytest.mark.parametrize(
    "name", ["", ".", "..", "../x", "a/b", "/x", "a\\b", ".x", "x" * 41, "con", "a\nb", "ä b"]
)
def test_files_are_named_never_by_a_path(made, name):
    for kind in ("json", "csv"):
        with pytest.raises(InputError, match="is no name for a file"):
            made.answer({"do": "save", "name": name, "kind": kind, "revision": 1})
    assert list(made.folder.iterdir()) == []


def test_links_are_not_followed(made, tmp_path_factory):
    elsewhere = tmp_path_factory.mktemp("elsewhere")
    (made.folder / "a").symlink_to(elsewhere)
    (made.folder / "a.json").symlink_to(elsewhere / "b.json")
    for kind in ("json", "csv"):
        asked = {"do": "save", "name": "a", "kind": kind, "revision": 1}
        assert "exists" in made.answer(asked)
        with pytest.raises(InputError):
            made.answer(asked | {"replace": True})
    assert list(elsewhere.iterdir()) == []


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"table": "nothing"}, "no table"),
        ({"table": None}, "a text is wanted"),
        ({"rows": [0, 3]}, "leaves the table"),
        ({"rows": [0.0, 1]}, "whole number"),
        ({"rows": [True, 1]}, "whole number"),
        ({"rows": 1}, "first and last"),
        ({"layer": 1}, "leaves the table"),
        ({"amount": "2"}, "no number"),
        ({"amount": float("inf")}, "no number"),
        ({"amount": True}, "no number"),
        ({"operation": "double"}, "no change"),
        ({"operation": "back", "version": "x"}, "no version"),
        ({"drive": "x"}, "no drive"),
        ({"drive": None}, "a text is wanted"),
        ({"do": "trace", "version": "as opened"}, "drive is"),
        ({"do": "delete"}, "nothing that can be asked for"),
        ({"do": "version", "name": "x"}, "no version"),
        ({"do": "trace", "drive": "x", "version": "as opened"}, "no drive"),
    ],
)
def test_wrong_requests_are_one_sentence_and_change_nothing(made, given, words):
    before = made.answer({"do": "state"})
    with pytest.raises(InputError, match=words):
        edit(made, **given)
    assert made.answer({"do": "state"}) == before
    for wrong in ([], None, "edit", {}):
        with pytest.raises(InputError):
            made.answer(wrong)


def test_a_value_that_no_file_may_hold_is_shown_as_broken(made):
    shown = edit(made, operation="set", amount=1e10)
    assert len(shown["faults"]) == 1 and "engine_start" in shown["faults"][0]["text"]
    with pytest.raises(InputError, match="mend the tables"):
        made.answer({"do": "save", "name": "a", "kind": "json", "revision": 2})


def test_broken_limits_are_told_cell_by_cell(made):
    """Lines of gear 1 up and 2 down pushed past each other; hysteresis is 2 km/h by default."""
    before = made.answer({"do": "state"})["faults"]
    shown = edit(made, table="shift_up", rows=[0, 0], columns=[1, 1], layer=0, amount=-8.0)
    new = [fault for fault in shown["faults"] if fault not in before]
    pair = (("shift_up", (0, 1, 0)), ("shift_down", (0, 1, 0)))
    assert any(fault["cells"] == pair and "hysteresis" in fault["text"] for fault in new)
    assert all("shift" in cell[0] for fault in new for cell in fault["cells"])
    far = edit(made, operation="set", amount=5000.0)["faults"]
    assert any(
        f["cells"] == (("engine_start", (0, 1)),) and "vehicle has" in f["text"] for f in far
    )
    back = edit(made, operation="back", version="as opened", amount=None)
    assert back["faults"] == shown["faults"]
    made.answer({"do": "take", "name": "as opened", "revision": back["revision"]})
    assert made.answer({"do": "state"})["faults"] == before


def test_limits_of_comfort_stand_beside_the_drives(tmp_path):
    """Seconds and short gears by hand over the traces that `verify` has of the same drives."""
    comfort = Comfort(
        torque_rise=60.0, no_start=((3.0, 6.0),), no_stop=((7.0, 9.0),), min_gear_time=9.0
    )
    quiet = dataclasses.replace(PLAIN, comfort=comfort)
    cycles = [read_cycle("ece15")]
    quick = dataclasses.replace(SETTINGS, min_reversal_time=11.0)
    made = desk(solve_cases(hand_made(), cycles, quiet, quick), tmp_path)
    message = made.answer({"do": "state"})
    trace = verify(hand_made(), cycles, quiet, quick)[0].score.trace
    on, speed, gear = trace.engine_on.values > 0, trace.speed.values, trace.gear.values
    torque = np.where(on, np.maximum(trace.engine_torque.values, 0.0), 0.0)
    rises = np.append(0.0, np.diff(torque))
    shown = message["drives"][0]
    assert shown["no_start_s"] == np.sum(~on & (speed >= 3.0) & (speed <= 6.0)) > 0
    assert shown["no_stop_s"] == np.sum(on & (speed >= 7.0) & (speed <= 9.0)) > 0
    assert shown["torque_rise_limit_s"] == np.sum(rises >= 60.0 - 1e-3) > 0
    assert shown["torque_rise_passed_s"] == np.sum(rises > 60.0 + 1e-3)
    assert "lugging_limit_s" not in shown and "torque_fall_limit_s" not in shown
    short, last, way = 0, -99, 0
    for t, (a, b) in enumerate(itertools.pairwise([1, *gear])):
        if a != b:
            short += t - last < (11 if (b > a) != (way > 0) and way else 9)
            last, way = t, b - a
    assert shown["gears_held_short"] == short
    assert any("min_gear" in fault["text"] for fault in message["faults"])
    assert any("sooner where the engine starts; the 9 s" in f["text"] for f in message["faults"])


def test_shifts_too_soon_are_counted():
    """Up after 2 s, back after 3 s, down again after 1 s, at 2 s in gear and 4 s to a reversal."""
    gears, time = np.array([0, 0, 1, 1, 2, 2, 2, 1, 0, 0]), np.arange(9.0)
    assert _held_short(gears, time, 0.0, 0.0) == 0
    assert _held_short(gears, time, 2.0, 0.0) == 1
    assert _held_short(gears, time, 2.0, 4.0) == 2
    assert _held_short(gears, time, 2.5, 4.0) == 3


def test_messages_are_json_and_traces_fit_the_drive(made):
    message = made.answer({"do": "trace", "drive": "ece15", "version": "as opened"})
    json.dumps(message, allow_nan=False)
    steps = len(message["asked"]["speed"])
    assert len(message["asked"]["time"]) == steps + 1 == len(message["then"]["soc"])
    assert message["now"] == message["then"] and max(message["then"]["gear"]) == 3


def test_worth_is_worked_out_beside_and_ends_with_a_change(made):
    begun = made.answer({"do": "worth", "begin": True})["worth"]
    assert begun["of"] == 1
    for _ in range(3000):
        shown = made.answer({"do": "worth"})["worth"]
        if "tables" in shown:
            break
        time.sleep(0.01)
    assert shown["done"] == 1.0 and shown["rows"][0]["cost"] < 0.0
    cost, share = (np.ravel(shown["tables"]["motor_torque"][key]) for key in ("cost", "share"))
    unread = np.array([value is None for value in cost])
    assert np.all(unread == (share == 0.0)) and 0 < np.sum(unread) < cost.size
    edit(made)
    job = made.answer({"do": "worth", "begin": True})["worth"]
    assert job["of"] == 2
    edit(made)
    for _ in range(3000):
        shown = made.answer({"do": "worth"})["worth"]
        if shown["fault"] or "tables" in shown:
            break
        time.sleep(0.01)
    assert shown["fault"] == "the tables were changed meanwhile" or shown["of"] == 2
