"""Air: wind chill at ride speed, frostbite, density."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, any_real, between, kernel, not_negative, plain

CHILL_SOURCE = "Joint Action Group for Temperature Indices (2001), as used by Environment Canada and the US NWS"


@kernel(
    title="Wind chill",
    formula="W = 13.12 + 0.6215 T − 11.37 V^0.16 + 0.3965 T V^0.16",
    source=f"{CHILL_SOURCE}: T in °C, V in km/h at 10 m height.",
    returns="degC",
    air_temperature_c=between(-60.0, 10.0),
    wind_kmh=between(5.0, 250.0),
)
def wind_chill_c(air_temperature_c: Number, wind_kmh: Number) -> Any:
    """What the air feels like on bare skin. A rider makes wind by riding: use `ride_wind_kmh`.

    The formula takes wind at 10 m height and a walking person; on a machine the air meets the face
    at its full speed, so this is the mild side of the truth.

    Parameters
    ----------
    air_temperature_c: air temperature, float or array [°C], −60 to 10.
    wind_kmh: wind [km/h], 5 to 250. The published charts end at 80 km/h.

    Returns
    -------
    Wind chill index, on the scale of °C.

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(wind_chill_c(air_temperature_c=-10.0, wind_kmh=20.0), 4)
    -17.8606
    """
    power = np.asarray(wind_kmh) ** 0.16
    temperature = np.asarray(air_temperature_c)
    return plain(13.12 + 0.6215 * temperature - 11.37 * power + 0.3965 * temperature * power)


@kernel(
    title="Wind met while riding",
    formula="V = 3.6 · (v + w)",
    source="Addition of speeds, riding straight into the wind: the worst case.",
    returns="kilometer/hour",
    speed_mps=not_negative(),
    wind_mps=not_negative(),
)
def ride_wind_kmh(speed_mps: Number, wind_mps: Number = 0.0) -> Any:
    """Air speed on the rider's face, straight into the wind.

    Parameters
    ----------
    speed_mps: speed over ground, float or array [m/s], 0 or more.
    wind_mps: wind [m/s], 0 or more.

    Returns
    -------
    Air speed [km/h].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> ride_wind_kmh(speed_mps=10.0, wind_mps=5.0)
    54.0
    """
    return plain(3.6 * (np.asarray(speed_mps) + np.asarray(wind_mps)))


class FrostbiteBand(NamedTuple):
    """One row of the published table: at this wind chill and colder, how soon bare skin freezes."""

    below_c: float
    exposure: str


FROSTBITE_BANDS = (
    FrostbiteBand(-55.0, "bare skin can freeze in less than 2 minutes"),
    FrostbiteBand(-48.0, "bare skin can freeze in 2 to 5 minutes"),
    FrostbiteBand(-40.0, "bare skin can freeze in 5 to 10 minutes"),
    FrostbiteBand(-28.0, "bare skin can freeze in 10 to 30 minutes"),
    FrostbiteBand(-10.0, "uncomfortable; frostnip is possible over a long time"),
)
"""Environment Canada, Wind Chill Index hazards table; times are shorter with wind above 50 km/h."""


@kernel(
    title="Frostbite times",
    formula="table by wind chill: −10, −28, −40, −48, −55",
    source="Environment Canada, Wind Chill Index: health hazards. Shorter with wind above 50 km/h.",
    wind_chill_c=any_real(),
)
def frostbite(wind_chill_c: float) -> str:
    """What the published table says of bare skin at a wind chill.

    Parameters
    ----------
    wind_chill_c: wind chill index [°C].

    Returns
    -------
    A sentence. It never says that exposure is without danger.

    Raises
    ------
    ValueError: the value is not a finite number.

    Examples
    --------
    >>> frostbite(-30.0)
    'bare skin can freeze in 10 to 30 minutes'
    """
    for band in FROSTBITE_BANDS:
        if wind_chill_c <= band.below_c:
            return band.exposure
    return "low risk of frostbite in the table; wet or tight clothing still chills"


@kernel(
    title="Air pressure at altitude",
    formula="p = 101325 · (1 − 0.0065 H / 288.15)^5.25588",
    source="ISO 2533:1975, standard atmosphere, geopotential altitude.",
    returns="pascal",
    altitude_m=between(-2000.0, 11000.0),
)
def standard_pressure_pa(altitude_m: Number) -> Any:
    """Pressure of the standard atmosphere, for when no barometer was read.

    Parameters
    ----------
    altitude_m: geopotential altitude, float or array [m], −2000 to 11000.

    Returns
    -------
    Pressure [Pa].

    Raises
    ------
    ValueError: the altitude is out of range, not finite or not a number.

    Examples
    --------
    >>> round(standard_pressure_pa(1000.0), 1)
    89874.6
    """
    return plain(101325.0 * (1.0 - 0.0065 * np.asarray(altitude_m) / 288.15) ** (9.80665 / (0.0065 * 287.05287)))


@kernel(
    title="Air density",
    formula="ρ = p M_a / (Z R T) · [1 − x_v (1 − M_v/M_a)]",
    source="CIPM-2007: Picard et al., Metrologia 45 (2008) 149–155. Recommended for 15 to 27 °C and 600 to 1100 hPa; "
    "colder air stays within 0.02 % of independent humid-air models.",
    returns="kilogram/meter**3",
    air_temperature_c=between(-50.0, 50.0),
    pressure_pa=between(30000.0, 120000.0),
    relative_humidity=between(0.0, 1.0),
)
def air_density_kg_per_m3(
    air_temperature_c: Number, pressure_pa: Number = 101325.0, relative_humidity: Number = 0.0
) -> Any:
    """Density of moist air; drag grows in proportion to it.

    Parameters
    ----------
    air_temperature_c: air temperature, float or array [°C], −50 to 50.
    pressure_pa: pressure at the place, not reduced to sea level [Pa], 30000 to 120000.
    relative_humidity: 0 to 1.

    Returns
    -------
    Density [kg/m³].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> round(air_density_kg_per_m3(20.0, 101325.0, 0.5), 5)
    1.19931
    """
    t = np.asarray(air_temperature_c)
    kelvin = t + 273.15
    p = np.asarray(pressure_pa)
    saturation_pa = np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * p + 5.6e-7 * t**2
    vapour = np.asarray(relative_humidity) * enhancement * saturation_pa / p
    compressibility = (
        1.0
        - (p / kelvin)
        * (
            1.58123e-6
            - 2.9331e-8 * t
            + 1.1043e-10 * t**2
            + (5.707e-6 - 2.051e-8 * t) * vapour
            + (1.9898e-4 - 2.376e-6 * t) * vapour**2
        )
        + (p / kelvin) ** 2 * (1.83e-11 - 0.765e-8 * vapour**2)
    )
    dry_molar_mass, vapour_molar_mass = 28.96546e-3, 18.01528e-3
    dry = p * dry_molar_mass / (compressibility * 8.314472 * kelvin)
    return plain(dry * (1.0 - vapour * (1.0 - vapour_molar_mass / dry_molar_mass)))
