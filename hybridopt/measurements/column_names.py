"""What the name of a column says: of which signal it may be, and how well it fits.

Names are compared word by word, so that every logger's own spelling need not be listed. The words
are those that loggers, buses and positioning receivers use (common practice, no source).
"""

from dataclasses import dataclass

from .log import LogColumn
from .units import UNITS, find_unit

SHORT_FORMS = {
    "veh": "vehicle",
    "car": "vehicle",
    "vss": "vehicle speed",
    "spd": "speed",
    "vel": "velocity",
    "vehspd": "vehicle speed",
    "vspd": "vehicle speed",
    "vveh": "vehicle speed",
    "alt": "altitude",
    "ele": "elevation",
    "elev": "elevation",
    "hgt": "height",
    "timestamp": "time stamp",
    "datetime": "date time",
    "tine": "time",  # a logger's own slip of the pen
    "eng": "engine",
    "mot": "motor",
    "gnss": "gps",
}
NEUTRAL = frozenset(
    "sensor signal value actual current measured stamp elapsed test log device system utc unix "
    "epoch in of".split()
)


@dataclass(frozen=True)
class Vocabulary:
    """The words of one signal.

    Attributes
    ----------
    heads : one of them has to be there
    ranks : where the value comes from, the best first; () stands for no word of it
    others : words of other quantities that share a head
    """

    heads: frozenset[str]
    ranks: tuple[frozenset[str], ...]
    others: frozenset[str]


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


VOCABULARIES = {
    "time": Vocabulary(
        _words("time t zeit utc date clock epoch seconds second sec s ms millis"),
        (_words(""), _words("local"), _words("gps"), _words("engine run since"), _words("date")),
        _words(
            "trip travel injection ignition fuel lap zone offset response delay remaining dwell "
            "closed dtc dtcs mil cleared warm warmup spark accuracy valid idle interval delta dt "
            "step sample diff difference over speed temperature motor"
        ),
    ),
    "speed": Vocabulary(
        _words("speed velocity v geschwindigkeit fahrgeschwindigkeit vitesse velocidad"),
        (
            _words("vehicle obd obd2 obdii can ecu fahrgeschwindigkeit"),
            _words(""),
            _words("gps ground over"),
            _words("wheel wheels axle"),
            _words("target reference ref desired dyno"),
        ),
        _words(
            "engine motor rpm turbine fan wind shaft input output transmission gearbox propshaft "
            "limit limiter average avg mean max maximum min minimum cruise setpoint set pump "
            "compressor turbo difference diff delta error accuracy deviation std ratio angular "
            "rotational yaw vertical climb count counter valid validity status flag quality idle "
            "crank crankshaft cam camshaft generator alternator blower wiper data sampling rotor "
            "change gear"
        ),
    ),
    "altitude": Vocabulary(
        _words("altitude elevation height höhe hoehe"),
        (_words(""), _words("gps"), _words("raw")),
        _words(
            "accuracy error precision dilution geoid undulation separation cabin ride seat gain "
            "loss rate delta difference valid status mode pressure temperature lift angle"
        ),
    ),
    "grade": Vocabulary(
        _words("grade slope gradient incline inclination steigung neigung"),
        (_words("road"), _words("")),
        _words(
            "fuel torque temperature pressure accuracy error thermal voltage current valid status"
        ),
    ),
}
LONE = {"v", "t", "s"}
"""Heads so short that they count alone only, or with the unit of their signal."""
SCANNED = tuple(
    map(
        _words,
        (
            "engine rpm",
            "engine speed",
            "coolant temperature",
            "coolant temp",
            "throttle",
            "engine load",
            "absolute load",
            "intake temperature",
            "intake air",
            "intake manifold",
            "intake pressure",
            "timing advance",
            "fuel trim",
            "maf",
            "run time",
            "accelerator pedal",
        ),
    )
)
"""Parameters of ISO 15031-5 besides the vehicle's speed; two of them make a log a scanner's."""


def suitability(signal: str, column: LogColumn) -> tuple[int, int] | None:
    """Return how well a column's name fits a signal (less is better), or None if it does not.

    The first figure is the rank of where the value comes from, the second the number of words that
    say nothing.
    """
    own, words = VOCABULARIES[signal], word_set(column)
    heads = words & own.heads
    if heads and heads <= LONE:
        alone = not words - heads - {"vehicle"}
        heads = heads if alone or find_unit(signal, column.unit) else frozenset()
    if not heads:
        return (9, 0) if signal == "speed" and column.words in UNITS["speed"] else None
    if words & own.others:
        return None
    ranks = [rank for rank, source in enumerate(own.ranks) if source & words]
    rank = max(ranks, default=own.ranks.index(_words("")))
    return rank, len(words - own.heads - NEUTRAL - frozenset().union(*own.ranks))


def word_set(column: LogColumn) -> frozenset[str]:
    """Return the words of a column's name, short forms written out."""
    return _words(" ".join(SHORT_FORMS.get(word, word) for word in column.words.split()))


def from_scanner(columns: tuple[LogColumn, ...]) -> bool:
    """Return whether the other columns are those that an on-board diagnosis scanner asks for."""
    names = [word_set(column) for column in columns]
    return sum(any(known <= words for words in names) for known in SCANNED) >= 2
