"""Whatever a user's controller does is one sentence with its name, the step and the value."""

import math
import sys
import threading
import time

import numpy as np
import pytest
from cases import closed_loop, steady

from hybridopt import Command, InputError
from hybridopt.controllers import user_code

HOME = r"controller test_user_code.py:rule, step at 2 s: "


def refusal(act):
    """Return the sentence that refuses a controller which does something at 2 s."""

    def rule(seen):
        return act(seen) if seen.time >= 2 else Command(True, 2)

    with pytest.raises(InputError) as caught:
        closed_loop(steady(4)).run(rule)
    text = str(caught.value)
    assert text.isprintable() and len(text) < 400, text
    return text


class Odd:
    """Its methods do not answer."""

    def __repr__(self):
        raise ValueError("no text")

    __str__ = __float__ = __eq__ = __repr__


NO_COMMAND = [None, 3, "123", (True,), [1] * 4, np.ones(3), Odd(), "x" * 10_000_000, {1, 2, 3}]


@pytest.mark.parametrize("answer", NO_COMMAND, ids=lambda answer: type(answer).__name__)
def test_an_answer_that_is_no_command_is_refused(answer):
    words = refusal(lambda seen: answer)
    assert words.startswith(HOME + "answers ") and "return Command(engine_on, gear" in words


WRONG = [
    ((True, 2.9), "gear is 2.9; give a whole number"),
    ((True, math.inf), "gear is inf; "),
    ((True, math.nan), "gear is nan; "),
    ((True, 1e30), "gear is 1e+30; "),
    ((True, -(10**400)), "gear is -1000"),
    ((True, 10**5000), "gear is a int that cannot be shown; "),
    ((True, "2"), "gear is '2'; "),
    ((True, None), "gear is None; "),
    ((True, True), "gear is True; "),
    ((True, np.array([1, 2])), "gear is array([1, 2]); "),
    ((True, Odd()), "gear is a Odd that cannot be shown; "),
    (("False", 2), "engine_on is 'False'; give True or False"),
    ((math.nan, 2), "engine_on is nan; "),
    ((None, 2), "engine_on is None; "),
    ((2, 2), "engine_on is 2; "),
    ((np.array([True, False]), 2), "engine_on is array([ True, False]); "),
    ((True, 2, math.nan), "motor_torque is nan; give a number in N m, or None"),
    ((True, 2, 10**400), "motor_torque is 1000"),
    ((True, 2, "much"), "motor_torque is 'much'; "),
    ((True, 2, True), "motor_torque is True; "),
    ((True, 2, np.zeros(2)), "motor_torque is array([0., 0.]); "),
    ((True, 2, 1j), "motor_torque is 1j; "),
    ((True, 2, Odd()), "motor_torque is a Odd that cannot be shown; "),
]


@pytest.mark.parametrize(("answer", "words"), WRONG, ids=[words for _, words in WRONG])
def test_a_value_that_cannot_be_meant_is_refused(answer, words):
    assert refusal(lambda seen: answer).startswith(HOME + words)


def test_numbers_as_numpy_gives_them_are_taken():
    commands = [
        (np.bool_(True), np.int64(2), np.float32(1.0)),
        (np.where(True, True, False), np.array(2), np.array(1.0)),
        (1, 2.0, 1),
        Command(True, 2, 1.0),
    ]
    drives = [closed_loop(steady(4)).run(lambda seen, c=c: c) for c in commands]
    assert len({drive.cost for drive in drives}) == 1


def raising(error):
    def act(seen):
        raise error

    return act


@pytest.mark.parametrize(
    "error",
    [KeyError("missing"), SystemExit(0), KeyboardInterrupt(), GeneratorExit(), MemoryError("x")],
    ids=lambda error: type(error).__name__,
)
def test_whatever_is_raised_is_said_with_its_place(error):
    words = refusal(raising(error))
    assert words.startswith(f"{HOME}raised {type(error).__name__} (") and "_code.py, line " in words


def test_a_message_without_end_is_cut():
    assert len(refusal(raising(ValueError("x" * 10_000_000)))) < 400
    assert "ValueError" in refusal(raising(ValueError("two\nlines\x1b[2J")))


def test_a_reset_that_raises_is_said():
    class Rule:
        def reset(self):
            raise SystemExit("no")

        def decide(self, seen):
            return Command(True, 2)

    with pytest.raises(InputError, match=r"controller test_user_code.py:Rule: its reset: raised S"):
        closed_loop(steady(4)).run(Rule())


def endless():
    while True:
        try:
            while True:
                time.sleep(0.001)
        except Exception:  # it does not let itself be stopped by these
            pass


WAITS = {"loop": endless, "sleep": lambda: time.sleep(20), "lock": threading.Event().wait}


@pytest.mark.parametrize("wait", WAITS)
def test_a_step_without_end_is_left(wait, monkeypatch):
    monkeypatch.setattr(user_code, "PATIENCE", 0.2)
    monkeypatch.setattr(user_code, "_LEAVE", 0.2)
    begin = time.perf_counter()
    words = refusal(lambda seen: WAITS[wait]())
    assert words == HOME + "took more than 0.2 s; look for a loop without end or a wait"
    assert time.perf_counter() - begin < 10.0
    closed_loop(steady(4)).run(lambda seen: Command(True, 2))  # the next is asked as ever


def test_a_loop_without_end_does_not_go_on(monkeypatch):
    monkeypatch.setattr(user_code, "PATIENCE", 0.2)
    refusal(lambda seen: endless())
    assert not [t for t in threading.enumerate() if endless.__code__ in codes(t)]


def codes(thread):
    """Return the code that a thread is in."""
    found, frame = [], sys._current_frames().get(thread.ident)
    while frame is not None:
        found.append(frame.f_code)
        frame = frame.f_back
    return found


def test_a_controller_may_drive_another():
    """Also one of a user, within a step of its own."""
    inner = closed_loop(steady(2))

    def rule(seen):
        inner.run(lambda seen: Command(True, 2))
        return Command(True, 2)

    assert closed_loop(steady(2)).run(rule).clipped.sum() == 0


def test_what_it_prints_goes_to_standard_error(capsys):
    def rule(seen):
        print("here")
        return Command(True, 2)

    closed_loop(steady(2)).run(rule)
    assert capsys.readouterr() == ("", "here\nhere\n")
