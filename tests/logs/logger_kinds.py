"""Files as sixty kinds of logger write one and the same ride, and what the ride truly was."""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np

STARTED = datetime(2026, 2, 3, 10, 30, tzinfo=UTC)
STEP_S = 0.5
_ROWS = 1800
_T = np.arange(_ROWS) * STEP_S
_CHANCE = np.random.default_rng(20260203)
_AMPERES = np.round(np.clip(35 + 45 * np.sin(_T / 23) + 15 * np.sin(_T / 7.1), -14, 95) * (np.sin(_T / 90) > -0.8), 2)
_OUT_AH = np.cumsum(np.maximum(_AMPERES, 0)) * STEP_S / 3600
_IN_AH = np.cumsum(np.maximum(-_AMPERES, 0)) * STEP_S / 3600
_VOLTS = np.round(57.6 - 0.12 * (_OUT_AH - _IN_AH) - 0.035 * _AMPERES + _CHANCE.normal(0, 0.02, _ROWS), 2)
_MPS = np.round(np.clip(8 + 5.5 * np.sin(_T / 31), 0, 13.4), 2)
_BATTERY_C = np.round(12 + _T / 200, 1)
_MOTOR_C = np.round(15 + _T / 20, 1)
TRUTH = {
    "duration_s": float(_T[-1]),
    "voltage_v": (float(_VOLTS.min()), float(_VOLTS.max())),
    "current_a": (float(_AMPERES.min()), float(_AMPERES.max())),
    "speed_mps": (float(_MPS.min()), float(_MPS.max())),
    "battery_temperature_c": (float(_BATTERY_C.min()), float(_BATTERY_C.max())),
    "motor_temperature_c": (float(_MOTOR_C.min()), float(_MOTOR_C.max())),
    "charge_ah": float(np.trapezoid(_AMPERES, _T) / 3600),
}


@dataclass(frozen=True)
class Kind:
    """A logger's file. `wants`: how a person sets it right, where the guess must be doubted: words of a button."""

    name: str
    content: bytes
    dated: bool = False
    button: str = ""


def _number(value, decimals=2, mark=".", thousands=""):
    text = f"{value:,.{decimals}f}".replace(",", "\0").replace(".", mark)
    return text.replace("\0", thousands)


def _table(columns, delimiter=",", mark=".", decimals=2, before="", after="", rows=None, quote=False):
    """Columns are (header, values); values are numbers or texts."""

    def cell(value):
        text = value if isinstance(value, str) else _number(value, decimals, mark)
        return f'"{text}"' if quote else text

    lines = [delimiter.join(header for header, _ in columns)]
    for row in zip(*(values for _, values in columns), strict=True):
        lines.append(delimiter.join(map(cell, row)))
    return (before + "\n".join(lines[:rows]) + "\n" + after).encode()


def _seconds(scale=1.0, decimals=2, begin=0.0):
    return [f"{begin + t * scale:.{decimals}f}" for t in _T]


def _dates(form, zone=UTC, start=STARTED):
    return [(start + timedelta(seconds=float(t))).astimezone(zone).strftime(form) for t in _T]


TIME, VOLTS, AMPERES = ("Time [s]", _seconds()), ("Voltage [V]", _VOLTS), ("Current [A]", _AMPERES)
_WHOLE = {name: [f"{value:.0f}" for value in values] for name, values in {
    "mV": _VOLTS * 1e3, "mA": _AMPERES * 1e3, "cV": _VOLTS * 100, "cA": _AMPERES * 100, "dV": np.round(_VOLTS * 10),
    "dA": np.round(_AMPERES * 10), "dT": _BATTERY_C * 10, "mm/s": _MPS * 1e3}.items()}  # fmt: skip
_HELSINKI = ZoneInfo("Europe/Helsinki")


def _grouped(values, mark, thousands, decimals=1, scale=1.0):
    return [_number(value * scale, decimals, mark, thousands) for value in values]


def _files():
    yield Kind("plain", _table([TIME, VOLTS, AMPERES]))
    yield Kind(
        "comma and semicolon",
        _table([("Zeit", [_number(t, 2, ",") for t in _T]), ("Spannung", _VOLTS), ("Strom", _AMPERES)], ";", ","),
    )
    yield Kind("Voltage_mV", _table([TIME, ("Voltage_mV", _WHOLE["mV"]), AMPERES]))
    yield Kind("mV not named", _table([TIME, ("Voltage", _WHOLE["mV"]), AMPERES]), button="in mV")
    yield Kind("cV not named", _table([TIME, ("Voltage", _WHOLE["cV"]), AMPERES]), button="cV")
    yield Kind("tenths of a volt not named", _table([TIME, ("Voltage", _WHOLE["dV"]), AMPERES]), button="dV")
    yield Kind("tenths of a volt named", _table([TIME, ("Voltage (0.1V)", _WHOLE["dV"]), AMPERES]))
    yield Kind("cV named", _table([TIME, ("pack_voltage_cV", _WHOLE["cV"]), AMPERES]))
    yield Kind("voltage x100", _table([TIME, ("Voltage x100", _WHOLE["cV"]), AMPERES]))
    yield Kind("mA named", _table([TIME, VOLTS, ("Current_mA", _WHOLE["mA"])]))
    yield Kind("mA not named", _table([TIME, VOLTS, ("Current", _WHOLE["mA"])]), button="in mA")
    yield Kind("cA not named", _table([TIME, VOLTS, ("Current", _WHOLE["cA"])]), button="cA")
    yield Kind("tenths of an ampere not named", _table([TIME, VOLTS, ("Current", _WHOLE["dA"])]), button="dA")
    yield Kind("tenths of an ampere named", _table([TIME, VOLTS, ("Current [0.1A]", _WHOLE["dA"])]))
    yield Kind(
        "mV and mA not named", _table([TIME, ("Voltage", _WHOLE["mV"]), ("Current", _WHOLE["mA"])]), button="in mV"
    )
    yield Kind("discharge below zero", _table([TIME, VOLTS, ("Current [A]", -_AMPERES)]), button="below zero")
    yield Kind(
        "discharge below zero in mA",
        _table([TIME, VOLTS, ("I_mA", [f"{-a * 1e3:.0f}" for a in _AMPERES])]),
        button="below zero",
    )
    yield Kind(
        "two charge counters", _table([TIME, VOLTS, AMPERES, ("Ah used", _OUT_AH), ("Ah regen", _IN_AH)], decimals=4)
    )
    yield Kind(
        "two charge counters and mA not named",
        _table([TIME, VOLTS, ("Current", _WHOLE["mA"]), ("Ah used", _OUT_AH), ("Ah regen", _IN_AH)], decimals=4),
        button="in mA",
    )
    yield Kind(
        "one counter in mAh",
        _table(
            [TIME, VOLTS, AMPERES, ("mAh", [f"{1000 * (o - i):.0f}" for o, i in zip(_OUT_AH, _IN_AH, strict=True)])]
        ),
    )
    yield Kind("ms named", _table([("time_ms", _seconds(1e3, 0)), VOLTS, AMPERES]))
    yield Kind("ms not named", _table([("Time", _seconds(1e3, 0)), VOLTS, AMPERES]), button="in milliseconds")
    yield Kind("millis since it was switched on", _table([("millis", _seconds(1e3, 0, 8_234_567)), VOLTS, AMPERES]))
    yield Kind("µs named", _table([("Time [us]", _seconds(1e6, 0)), VOLTS, AMPERES]))
    yield Kind("µs not named", _table([("Timestamp", _seconds(1e6, 0)), VOLTS, AMPERES]), button="in microseconds")
    yield Kind("ns named", _table([("time_ns", _seconds(1e9, 0)), VOLTS, AMPERES]))
    yield Kind(
        "ticks not named", _table([("Ticks", _seconds(1e3, 0, 51_000)), VOLTS, AMPERES]), button="in milliseconds"
    )
    rolled = [f"{(4_294_600_000 + t * 1e3) % 2**32:.0f}" for t in _T]
    yield Kind("ms with a rollover", _table([("time_ms", rolled), VOLTS, AMPERES]))
    rolled = [f"{(4_294_000_000 + t * 1e6) % 2**32:.0f}" for t in _T]
    yield Kind("µs with a rollover", _table([("time_us", rolled), VOLTS, AMPERES]))
    epoch = STARTED.timestamp()
    yield Kind("epoch s", _table([("Timestamp", _seconds(1, 1, epoch)), VOLTS, AMPERES]), dated=True)
    yield Kind(
        "epoch ms", _table([("Timestamp", [f"{(epoch + t) * 1e3:.0f}" for t in _T]), VOLTS, AMPERES]), dated=True
    )
    yield Kind(
        "epoch µs",
        _table([("Timestamp", [f"{int(epoch * 1e6) + int(t * 1e6)}" for t in _T]), VOLTS, AMPERES]),
        dated=True,
    )
    yield Kind(
        "epoch ns", _table([("ts", [f"{int(epoch) * 10**9 + int(t * 10**9)}" for t in _T]), VOLTS, AMPERES]), dated=True
    )
    yield Kind("mm:ss", _table([("Time", [f"{int(t // 60):02}:{t % 60:04.1f}" for t in _T]), VOLTS, AMPERES]))
    every = slice(None, None, 2)
    yield Kind(
        "mm:ss whole",
        _table(
            [
                ("Time", [f"{int(t // 60):02}:{int(t % 60):02}" for t in _T[every]]),
                ("Voltage", _VOLTS[every]),
                ("Current", _AMPERES[every]),
            ]
        ),
        button="minutes:seconds",
    )
    yield Kind(
        "h:mm:ss",
        _table(
            [("Elapsed", [f"{int(t // 3600)}:{int(t % 3600 // 60):02}:{t % 60:04.1f}" for t in _T]), VOLTS, AMPERES]
        ),
    )
    yield Kind("hours as a number", _table([("Time [h]", _seconds(1 / 3600, 7)), VOLTS, AMPERES]))
    yield Kind("hours not named", _table([("Time", _seconds(1 / 3600, 7)), VOLTS, AMPERES]), button="in hours")
    yield Kind("minutes not named", _table([("Time", _seconds(1 / 60, 5)), VOLTS, AMPERES]), button="in minutes")
    yield Kind("days as a number", _table([("Time (days)", _seconds(1 / 86400, 9)), VOLTS, AMPERES]))
    yield Kind("days of a spreadsheet", _table([("Time (d)", _seconds(1 / 86400, 9, 46056.4375)), VOLTS, AMPERES]))
    yield Kind("days not named", _table([("Time", _seconds(1 / 86400, 9)), VOLTS, AMPERES]), button="in days")
    numbers = [str(number) for number in range(_ROWS)]
    yield Kind(
        "sample number with a rate",
        _table([("Sample", numbers), VOLTS, AMPERES], before="Bench logger\nSample rate: 2 Hz\n"),
    )
    yield Kind(
        "sample interval in German form",
        _table(
            [("Sample", numbers), ("Spannung", _VOLTS), ("Strom", _AMPERES)],
            ";",
            ",",
            before="Logger X\nSample interval;0,5;s\n",
        ),
    )
    yield Kind("rate and no time", _table([VOLTS, AMPERES], before="Logging interval: 500 ms\n"))
    yield Kind(
        "day first with slashes",
        _table([("Date/Time", _dates("%d/%m/%Y %H:%M:%S.%f")), VOLTS, AMPERES]),
        dated=True,
        button="day.month.year",
    )
    yield Kind(
        "month first with slashes", _table([("Date/Time", _dates("%m/%d/%Y %H:%M:%S.%f")), VOLTS, AMPERES]), dated=True
    )
    yield Kind("ISO 8601 with a zone", _table([("time", _dates("%Y-%m-%dT%H:%M:%S.%fZ")), VOLTS, AMPERES]), dated=True)
    yield Kind(
        "thousands by commas",
        _table([TIME, ("Voltage [mV]", _grouped(_VOLTS, ".", ",", 1, 1e3)), ("Current [A]", _AMPERES)], ";"),
    )
    yield Kind(
        "thousands by points",
        _table(
            [
                ("Zeit [s]", [_number(t, 1, ",") for t in _T]),
                ("Spannung [mV]", _grouped(_VOLTS, ",", ".", 1, 1e3)),
                ("Strom [A]", _AMPERES),
            ],
            ";",
            ",",
        ),
    )
    yield Kind(
        "thousands by spaces",
        _table(
            [
                ("Temps [s]", [_number(t, 1, ",") for t in _T]),
                ("Tension [mV]", _grouped(_VOLTS, ",", "\u202f", 1, 1e3)),
                ("Courant [A]", _AMPERES),
            ],
            ";",
            ",",
        ),
    )
    yield Kind(
        "thousands by apostrophes", _table([TIME, ("Voltage [mV]", _grouped(_VOLTS, ".", "'", 1, 1e3)), AMPERES])
    )
    yield Kind(
        "thousands in quotation marks",
        _table([TIME, ("Voltage [mV]", _grouped(_VOLTS, ".", ",", 1, 1e3)), AMPERES], quote=True),
    )
    units = "Time,Voltage,Current\ns,V,A\n"
    body = _table([TIME, VOLTS, AMPERES]).decode().split("\n", 1)[1]
    yield Kind("units in a row of their own", (units + body).encode())
    yield Kind(
        "summary row with words", (f"Time,Voltage,Current\nmax,{_VOLTS.max()},{_AMPERES.max()}\n" + body).encode()
    )
    yield Kind(
        "summary row of numbers",
        (f"Time,Voltage,Current\n450.00,{_VOLTS.mean():.2f},{_AMPERES.mean():.2f}\n" + body).encode(),
    )
    yield Kind("units and summary row", (units + f"mean,{_VOLTS.mean():.2f},{_AMPERES.mean():.2f}\n" + body).encode())
    yield Kind(
        "footer with words",
        (units + body + f"Average,{_VOLTS.mean():.2f},{_AMPERES.mean():.2f}\nEnd of log\n").encode(),
    )
    yield Kind("footer of sums", (units + body + f"{_T.sum():.2f},{_VOLTS.sum():.2f},{_AMPERES.sum():.2f}\n").encode())
    second = "Cell,Lowest,Highest\n1,3.41,4.11\n2,3.40,4.12\n3,3.39,4.10\n"
    yield Kind("two tables", (units + body + "\n" + second).encode())
    yield Kind(
        "header again after it was switched off",
        (
            units
            + body[: len(body) // 2].rsplit("\n", 1)[0]
            + "\n"
            + units.split("\n")[0]
            + "\n"
            + body[len(body[: len(body) // 2].rsplit("\n", 1)[0]) + 1 :]
        ).encode(),
    )
    limit = np.full(_ROWS, 120.0)
    yield Kind(
        "current limit beside current", _table([TIME, VOLTS, ("Current limit [A]", limit), ("Current [A]", _AMPERES)])
    )
    yield Kind("current limit alone", _table([TIME, VOLTS, ("Max current [A]", limit)]))
    yield Kind("a setting under the name of current", _table([TIME, VOLTS, ("Current [A]", limit)]))
    motor = np.round(_AMPERES * 2.6, 2)
    yield Kind(
        "motor current before battery current",
        _table([TIME, VOLTS, ("Motor current", motor), ("Battery current", _AMPERES)]),
    )
    yield Kind(
        "phase current before input current",
        _table([TIME, ("Input voltage", _VOLTS), ("Phase Current [A]", motor), ("Input Current [A]", _AMPERES)]),
    )
    yield Kind("motor current without a battery current", _table([TIME, VOLTS, ("Motor current", motor)]))
    yield Kind(
        "cell voltage before pack voltage",
        _table([TIME, ("Cell voltage min", _VOLTS / 14), ("Pack voltage", _VOLTS), AMPERES], decimals=3),
    )
    yield Kind("cell voltage alone", _table([TIME, ("Cell voltage", _VOLTS / 14), AMPERES], decimals=3))
    yield Kind("speed in mm/s", _table([TIME, VOLTS, AMPERES, ("Speed", _WHOLE["mm/s"])]))
    yield Kind("speed in km/h", _table([TIME, VOLTS, AMPERES, ("Speed [km/h]", _MPS * 3.6)]))
    yield Kind("temperature in tenths", _table([TIME, VOLTS, AMPERES, ("Battery temp", _WHOLE["dT"])]), button="0.1°C")
    yield Kind("temperature in °F", _table([TIME, VOLTS, AMPERES, ("Motor temp [°F]", _MOTOR_C * 1.8 + 32)]))
    autumn = datetime(2026, 10, 25, 0, 52, tzinfo=UTC)
    yield Kind(
        "clock set back in autumn",
        _table([("Time", _dates("%Y-%m-%d %H:%M:%S.%f", _HELSINKI, autumn)), VOLTS, AMPERES]),
    )
    yield Kind(
        "clock set back in autumn, no date",
        _table([("Time", _dates("%H:%M:%S.%f", _HELSINKI, autumn)), VOLTS, AMPERES]),
    )
    spring = datetime(2026, 3, 29, 0, 52, tzinfo=UTC)
    yield Kind(
        "clock set forward in spring",
        _table([("Time", _dates("%Y-%m-%d %H:%M:%S.%f", _HELSINKI, spring)), VOLTS, AMPERES]),
    )


KINDS = {kind.name: kind for kind in _files()}
