"""Invented seasons of one machine, drawn pass by pass. Nothing here knows the code under test.

Speeds and consumption follow a plain physical picture, in shares: what the build, the air, the surface, the rider,
the wind, the gate and the day add up to, and on top what nobody can explain, of a day and of a single pass.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

SPEED_MPS = 16.0
ENERGY_WH_PER_KM = 60.0
ANY_REVISIONS = tuple(range(2, 13))


@dataclass(frozen=True)
class Weather:
    """How a season's conditions are drawn.

    temperature_drift_k: over the whole season. surfaces: chances of clear ice, white ice and snow when it begins,
    and `surfaces_late` when it ends. gate_2: share of sessions at the second gate, and of the newest revision's.
    bend_per_k2: how far speed falls off on both sides of −8 °C, which no straight line allows for.
    """

    temperature_sd_k: float = 5.0
    temperature_drift_k: float = 0.0
    surfaces: tuple[float, float, float] = (0.5, 0.3, 0.2)
    surfaces_late: tuple[float, float, float] | None = None
    wind_mps: float = 2.0
    gate_2: float = 0.0
    gate_2_newest: float | None = None
    thermometer_sd_k: float = 0.5
    bend_per_k2: float = 0.0


@dataclass(frozen=True)
class Habits:
    """How the builder rides.

    both_ways: whether passes go out and back in turn; otherwise each goes either way by chance.
    shared_days: share of the newest revision's days on which its parent rides too; `earlier_shared_days` of
    all revisions before it.
    second_outing: share of days with a second session of the same revision.
    """

    revisions: tuple[int, ...] = ANY_REVISIONS
    sessions: tuple[int, ...] = (1, 2, 3, 4, 5, 6, 7, 8)
    newest_sessions: tuple[int, ...] = (4, 5, 6, 7, 8)
    passes: tuple[int, ...] = (2, 3, 4, 5, 6, 7, 8, 9, 10)
    newest_passes: tuple[int, ...] | None = None
    both_ways: bool = True
    shared_days: float = 0.0
    earlier_shared_days: float = 0.0
    second_outing: float = 0.0


@dataclass(frozen=True)
class Scatter:
    """What nobody can explain, as shares.

    newest_times: the newest revision's spread from session to session over that of the others.
    heavy_tails: Student's t with 3 degrees of freedom, of the same spread. outliers: share of values four times as
    far out.
    """

    session_sd: float = 0.03
    pass_sd: float = 0.02
    energy_sd: float = 0.05
    day_sd: float = 0.0
    newest_times: float = 1.0
    heavy_tails: bool = False
    outliers: float = 0.0


@dataclass(frozen=True)
class Effect:
    """True change of the newest revision against its parent, as shares of speed and of energy for each km."""

    speed: float = 0.0
    energy: float = 0.0


@dataclass(frozen=True)
class Season:
    """One line for each session, in the order ridden, and one for each pass."""

    revision: np.ndarray
    day: np.ndarray
    surface: np.ndarray
    temperature_c: np.ndarray
    rider_kg: np.ndarray
    wind_mps: np.ndarray
    energy_wh_per_km: np.ndarray
    pass_session: np.ndarray
    pass_gate: np.ndarray
    pass_is_out: np.ndarray
    pass_speed_mps: np.ndarray
    revisions: int
    effect: Effect


ORDINARY_WEATHER, ORDINARY_HABITS, ORDINARY_SCATTER, NO_EFFECT = Weather(), Habits(), Scatter(), Effect()

SURFACE_EFFECT = np.array([0.0, -0.02, -0.07])
TEMPERATURE_EFFECT_PER_K = 0.003
RIDER_EFFECT_PER_KG = -0.0008
WIND_ALONG_EFFECT_PER_MPS = 0.015
WIND_EFFECT_PER_MPS = -0.004
GATE_2_EFFECT = -0.06
REVISION_SD = 0.03


def draw(
    random: np.random.Generator,
    weather: Weather = ORDINARY_WEATHER,
    habits: Habits = ORDINARY_HABITS,
    scatter: Scatter = ORDINARY_SCATTER,
    effect: Effect = NO_EFFECT,
) -> Season:
    revisions = int(random.choice(habits.revisions))
    revision, day = _calendar(random, habits, revisions)
    count, newest = revision.size, revision == revisions - 1
    progress = day / max(1, day[-1])
    temperature_c = _of_day(day, random.normal(-8.0, weather.temperature_sd_k, count))
    temperature_c += weather.temperature_drift_k * (progress - 0.5)
    surface = _of_day(day, _surfaces(random, weather, progress))
    rider_kg = 82.0 + 9.0 * random.standard_normal(count)
    wind_mps = weather.wind_mps * np.sqrt(random.chisquare(2, count) / 2)
    along = wind_mps * np.cos(random.uniform(0, 2 * np.pi, count))
    second_gate = np.where(newest, weather.gate_2_newest or weather.gate_2, weather.gate_2)
    gate = (random.uniform(size=count) < second_gate).astype(int)

    steps = REVISION_SD * random.standard_normal((2, revisions))
    steps[:, -1] = np.log1p([effect.speed, effect.energy])
    build = np.cumsum(steps, axis=1)[:, revision]
    off = 0.5 * temperature_c * TEMPERATURE_EFFECT_PER_K + 0.5 * SURFACE_EFFECT[surface]
    common = (
        2 * off
        - weather.bend_per_k2 * (temperature_c + 8.0) ** 2
        + RIDER_EFFECT_PER_KG * (rider_kg - 82.0)
        + WIND_EFFECT_PER_MPS * wind_mps
    )
    own = np.where(newest, scatter.newest_times, 1.0)
    of_day = _of_day(day, scatter.day_sd * _noise(random, scatter, count))
    speed = (
        build[0] + common + GATE_2_EFFECT * gate + of_day + own * scatter.session_sd * _noise(random, scatter, count)
    )
    energy = build[1] - off + 0.004 * wind_mps + of_day + own * scatter.energy_sd * _noise(random, scatter, count)

    passes = random.choice(habits.passes, count)
    if habits.newest_passes:
        passes = np.where(newest, random.choice(habits.newest_passes, count), passes)
    owner = np.repeat(np.arange(count), passes)
    number = np.arange(owner.size) - np.repeat(np.cumsum(passes) - passes, passes)
    is_out = number % 2 == 0 if habits.both_ways else random.uniform(size=owner.size) < 0.5
    of_pass = speed[owner] + np.where(is_out, 1, -1) * WIND_ALONG_EFFECT_PER_MPS * along[owner]
    of_pass += scatter.pass_sd * _noise(random, scatter, owner.size)
    return Season(
        revision=revision,
        day=day,
        surface=surface,
        temperature_c=temperature_c + weather.thermometer_sd_k * random.standard_normal(count),
        rider_kg=rider_kg,
        wind_mps=wind_mps,
        energy_wh_per_km=ENERGY_WH_PER_KM * np.exp(energy),
        pass_session=owner,
        pass_gate=gate[owner],
        pass_is_out=is_out,
        pass_speed_mps=SPEED_MPS * np.exp(of_pass),
        revisions=revisions,
        effect=effect,
    )


def first_sessions(season: Season, sessions: int) -> Season:
    """The season as it stood after so many sessions."""
    passes = season.pass_session < sessions
    parts = {}
    for field in fields(season):
        column = getattr(season, field.name)
        if isinstance(column, np.ndarray):
            parts[field.name] = column[passes] if field.name.startswith("pass_") else column[:sessions]
    return replace(season, **parts)


def _calendar(random: np.random.Generator, habits: Habits, revisions: int) -> tuple[np.ndarray, np.ndarray]:
    """Revision and day of each session: one revision after the other, now and then two sessions on a day."""
    revision, day, today = [], [], 0
    for number in range(revisions):
        is_newest = number == revisions - 1
        for _ in range(int(random.choice(habits.newest_sessions if is_newest else habits.sessions))):
            riders = [number]
            share = habits.shared_days if is_newest else habits.earlier_shared_days
            if number > 0 and random.uniform() < share:
                riders = [number, number - 1]
            if random.uniform() < habits.second_outing:
                riders.append(number)
            revision += riders
            day += [today] * len(riders)
            today += 1
    return np.array(revision), np.array(day)


def _surfaces(random: np.random.Generator, weather: Weather, progress: np.ndarray) -> np.ndarray:
    begin = np.array(weather.surfaces)
    end = np.array(weather.surfaces_late or weather.surfaces)
    chances = begin + (end - begin) * progress[:, None]
    return (random.uniform(size=(progress.size, 1)) > np.cumsum(chances, axis=1)).sum(axis=1)


def _of_day(day: np.ndarray, values: np.ndarray) -> np.ndarray:
    """All sessions of a day have what its first one has."""
    return values[np.unique(day, return_index=True)[1]][np.unique(day, return_inverse=True)[1]]


def _noise(random: np.random.Generator, scatter: Scatter, size: int) -> np.ndarray:
    """Of spread 1; an outlier is a value four times as far out, on top."""
    noise = random.standard_t(3, size) / np.sqrt(3) if scatter.heavy_tails else random.standard_normal(size)
    if scatter.outliers:
        wild = random.uniform(size=size) < scatter.outliers
        noise = np.where(wild, noise + 4 * np.sign(noise), noise)
    return noise
