"""The words of each signal in the names of columns.

The words are those that loggers, buses and positioning receivers use, in English and some German
(common practice, no source).
"""

from dataclasses import dataclass

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
    "temp": "temperature",
    "tmp": "temperature",
    "temperatur": "temperature",
    "volt": "voltage",
    "spannung": "voltage",
    "curr": "current",
    "strom": "current",
    "leistung": "power",
    "pwr": "power",
    "trq": "torque",
    "tq": "torque",
    "drehmoment": "torque",
    "batt": "battery",
    "bat": "battery",
    "batterie": "battery",
    "gang": "gear",
    "clu": "clutch",
    "kupplung": "clutch",
    "trennkupplung": "separating clutch",
    "brk": "brake",
    "bremse": "brake",
    "bremsdruck": "brake pressure",
    "bremspedal": "brake pedal",
    "anfahrkupplung": "launch clutch",
    "aux": "auxiliary",
    "nebenverbraucher": "auxiliary",
    "cons": "consumption",
    "kraftstoff": "fuel",
    "verbrauch": "consumption",
    "kraftstoffverbrauch": "fuel consumption",
    "traktionsbatterie": "traction battery",
    "luftmasse": "air mass flow",
    "airflow": "air flow",
    "kuehlwasser": "coolant temperature",
    "kühlwasser": "coolant temperature",
    "ladezustand": "soc",
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
    needs : one of them has to be there too, where there are any
    """

    heads: frozenset[str]
    ranks: tuple[frozenset[str], ...]
    others: frozenset[str]
    needs: frozenset[str] = frozenset()


def words(text: str) -> frozenset[str]:
    """Return the words of a text."""
    return frozenset(text.split())


VOCABULARIES = {
    "time": Vocabulary(
        words("time t zeit utc date clock epoch seconds second sec s ms millis"),
        (words(""), words("local"), words("gps"), words("engine run since"), words("date")),
        words(
            "trip travel injection ignition fuel lap zone offset response delay remaining dwell "
            "closed dtc dtcs mil cleared warm warmup spark accuracy valid idle interval delta dt "
            "step sample diff difference over speed temperature motor"
        ),
    ),
    "speed": Vocabulary(
        words("speed velocity v geschwindigkeit fahrgeschwindigkeit vitesse velocidad"),
        (
            words("vehicle obd obd2 obdii can ecu fahrgeschwindigkeit"),
            words(""),
            words("gps ground over"),
            words("wheel wheels axle"),
            words("target reference ref desired dyno"),
        ),
        words(
            "engine motor rpm turbine fan wind shaft input output transmission gearbox propshaft "
            "limit limiter average avg mean max maximum min minimum cruise setpoint set pump "
            "compressor turbo difference diff delta error accuracy deviation std ratio angular "
            "rotational yaw vertical climb count counter valid validity status flag quality idle "
            "crank crankshaft cam camshaft generator alternator blower wiper data sampling rotor "
            "change gear"
        ),
    ),
    "altitude": Vocabulary(
        words("altitude elevation height höhe hoehe"),
        (words(""), words("gps"), words("raw")),
        words(
            "accuracy error precision dilution geoid undulation separation cabin ride seat gain "
            "loss rate delta difference valid status mode pressure temperature lift angle"
        ),
    ),
    "engine_speed": Vocabulary(
        words("speed rpm revs drehzahl motordrehzahl"),
        (words(""), words("crank crankshaft")),
        words(
            "motor em emotor emachine e maschine mgu mg mg1 mg2 generator alternator wheel wheels "
            "turbine turbo input output shaft gearbox transmission propshaft target setpoint set "
            "desired requested request limit limiter max maximum min minimum idle fan pump vehicle "
            "cam camshaft load reference ratio compressor blower difference diff delta error valid"
        ),
        words("engine ice crank crankshaft rpm drehzahl motordrehzahl"),
    ),
    "motor_speed": Vocabulary(
        words("speed rpm revs drehzahl"),
        (words(""), words("mgu mg mg1 mg2 machine maschine")),
        words(
            "engine ice wheel wheels turbine turbo input output gearbox transmission target "
            "setpoint set desired requested request limit limiter max maximum min minimum fan pump "
            "vehicle blower wiper steering starter difference delta error valid temperature"
        ),
        words("motor em emotor emachine traction mgu mg mg1 mg2 machine maschine"),
    ),
    "engine_torque": Vocabulary(
        words("torque motormoment"),
        (words(""), words("effective brake flywheel crankshaft"), words("indicated")),
        words(
            "motor em emotor emachine e maschine mgu mg mg1 mg2 target setpoint set desired "
            "requested request demand demanded driver limit max maximum min minimum idle friction "
            "loss losses reference wheel wheels input output clutch gearbox transmission converter "
            "steering reserve available potential valid"
        ),
        words("engine ice crankshaft flywheel motormoment"),
    ),
    "fuel_rate": Vocabulary(
        words("fuel consumption"),
        (words("engine"), words("")),
        words(
            "level pressure rail temperature trim tank economy average avg mean trip total "
            "cumulative integrated used status type cut cutoff injector injection duration time "
            "lambda ratio air distance range cell loop system commanded power energy auxiliary"
        ),
        words("rate flow consumption mass massflow"),
    ),
    "air_flow": Vocabulary(
        words("air maf luftmasse"),
        (words("maf mass"), words("")),
        words(
            "temperature pressure ratio fuel commanded barometric humidity conditioning quality "
            "bag cabin speed fan filter target setpoint stroke density"
        ),
        words("flow maf mass luftmasse"),
    ),
    "air_ratio": Vocabulary(
        words("lambda ratio"),
        (words(""), words("commanded target desired setpoint")),
        words("fuel gear voltage current trim control regulator closed loop probe heater torque"),
        words("lambda air"),
    ),
    "motor_torque": Vocabulary(
        words("torque"),
        (words(""), words("mgu mg mg1 mg2 machine maschine")),
        words(
            "engine ice target setpoint set desired requested request demand demanded limit max "
            "maximum min minimum wheel wheels steering starter available potential loss valid"
        ),
        words("motor em emotor emachine traction mgu mg mg1 mg2 machine maschine"),
    ),
    "motor_power": Vocabulary(
        words("power"),
        (words("electric electrical dc inverter"), words("")),
        words(
            "engine ice mechanical shaft target setpoint desired requested request demand limit "
            "max maximum min minimum available loss losses auxiliary steering supply stage ratio"
        ),
        words("motor em emotor emachine traction mgu mg mg1 mg2 machine maschine inverter"),
    ),
    "gear": Vocabulary(
        words("gear"),
        (words(""), words("engaged"), words("position"), words("selected")),
        words(
            "ratio target desired recommended recommendation requested request lever selector "
            "shift box speed torque oil temperature reverse neutral park max min ist soll set "
            "setpoint next previous counter count valid"
        ),
    ),
    "battery_voltage": Vocabulary(
        words("voltage u"),
        (words("hv traction high pack hybrid hvb"), words("")),
        words(
            "cell module min minimum max maximum limit lv low aux auxiliary starter control unit "
            "insulation sensor ripple target setpoint 12v 12 valid"
        ),
        words("battery hv traction pack hybrid hvb"),
    ),
    "battery_current": Vocabulary(
        words("current i"),
        (words("hv traction high pack hybrid hvb"), words("")),
        words(
            "voltage power soc charge state temperature cell module min minimum max maximum limit "
            "lv low aux auxiliary starter control target setpoint 12v 12 capacity health leakage "
            "energy fan valid"
        ),
        words("battery hv traction pack hybrid hvb"),
    ),
    "soc": Vocabulary(
        words("soc charge remaining"),
        (words("hv traction high pack hybrid hvb battery"), words(""), words("displayed shown")),
        words(
            "target setpoint min minimum max maximum limit current power voltage energy cell delta "
            "rate time 12v lv low cycle cycles cable plug air boost fuel range valid"
        ),
        words("soc state life"),
    ),
    "separating_clutch": Vocabulary(
        words("clutch k0"),
        (words("state"), words(""), words("position")),
        words("torque pressure speed temperature slip current request target pedal launch k1 k2"),
        words("separating separation disconnect decoupling k0"),
    ),
    "launch_clutch": Vocabulary(
        words("clutch k1"),
        (words("state"), words(""), words("position")),
        words("torque pressure speed temperature slip current request target pedal k0 k2"),
        words("launch starting k1"),
    ),
    "oil_temperature": Vocabulary(
        words("temperature motoröltemperatur öltemperatur oeltemperatur"),
        (words("engine ice"), words("")),
        words(
            "gear gearbox transmission atf hydraulic axle differential motor battery inverter "
            "target setpoint max min limit warning difference valid"
        ),
        words("oil motoröltemperatur öltemperatur oeltemperatur"),
    ),
    "coolant_temperature": Vocabulary(
        words("temperature ect kühlmitteltemperatur kuehlmitteltemperatur"),
        (words("engine ice"), words(""), words("radiator")),
        words(
            "motor battery inverter electronics hv charger cabin target setpoint max min limit "
            "warning difference fan valid"
        ),
        words("coolant water ect kühlmitteltemperatur kuehlmitteltemperatur"),
    ),
    "ambient_temperature": Vocabulary(
        words("temperature außentemperatur aussentemperatur umgebungstemperatur"),
        (words(""), words("air")),
        words("battery inverter target setpoint max min limit warning difference filtered valid"),
        words("ambient outside outdoor außentemperatur aussentemperatur umgebungstemperatur"),
    ),
    "auxiliary_power": Vocabulary(
        words("power load"),
        (words(""), words("dcdc dc electric electrical")),
        words("steering torque current voltage max min limit target setpoint valid take"),
        words("auxiliary auxiliaries accessory accessories dcdc hotel"),
    ),
    "brake": Vocabulary(
        words("brake"),
        (words("pedal"), words(""), words("pressure"), words("switch light")),
        words(
            "torque specific temperature wear regenerative regeneration regen recuperation parking "
            "park hand booster vacuum thermal efficiency power force wheel abs fuel mean effective "
            "request target valid"
        ),
    ),
    "grade": Vocabulary(
        words("grade slope gradient incline inclination steigung neigung"),
        (words("road"), words("")),
        words(
            "fuel torque temperature pressure accuracy error thermal voltage current valid status"
        ),
    ),
}
LONE = {"v", "t", "s"}
"""Heads so short that they count alone only, or with the unit of their signal."""
SCANNED = tuple(
    map(
        words,
        (
            "engine rpm",
            "engine speed",
            "coolant temperature",
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
