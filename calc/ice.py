"""Published ice guidelines beside a measured thickness. Nothing here says that ice will hold.

Thickness varies within metres; currents, springs, cracks, snow cover and thaw weaken ice without
thinning it. The local ice authority and local rules decide.
"""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from calc.declaration import Number, kernel, not_negative, plain, positive

CAUTIONS = (
    "Measure the ice where you ride, again and again; thickness changes within metres.",
    "The guidelines are for new, clear, solid ice. White ice, snow cover, cracks, currents and thaw weaken it.",
    "Published figures are guidelines, not permissions: the local ice authority and local rules decide.",
    "Never go alone; carry ice picks, a rope and a float.",
)


class Guideline(NamedTuple):
    """One published row: what the source names, and from what thickness of clear ice."""

    use: str
    thickness_cm: float
    source: str


MINNESOTA = "Minnesota DNR, Ice thickness guidelines (clear ice, 2023)"
CANADA = "Canadian Ice Service, after E. R. Pounder (fresh-water ice)"
ARMY = "US Army CRREL (clear ice)"
GUIDELINES = (
    Guideline("one person on skis", 1.75 * 2.54, ARMY),
    Guideline("one person on foot", 2 * 2.54, ARMY),
    Guideline("one snowmobile", 3 * 2.54, ARMY),
    Guideline("one person", 8.0, CANADA),
    Guideline("0.4 t, moving slowly", 10.0, CANADA),
    Guideline("walking", 4 * 2.54, MINNESOTA),
    Guideline("snowmobile or small all-terrain vehicle", 5 * 2.54, MINNESOTA),
    Guideline("side-by-side all-terrain vehicle", 7 * 2.54, MINNESOTA),
    Guideline("small car", 9 * 2.54, MINNESOTA),
    Guideline("2 t vehicle (estimated in the source)", 25.0, CANADA),
)


class GuidelineRow(NamedTuple):
    use: str
    thickness_cm: float
    reached: bool
    source: str


@kernel(
    title="Published ice guidelines",
    formula="measured thickness against each published row; white ice against twice the thickness",
    source=f"{MINNESOTA}; {CANADA}; {ARMY}. White ice: Minnesota DNR, double the thickness.",
    thickness_cm=not_negative(),
)
def guideline_rows(thickness_cm: float, white_ice: bool = False) -> tuple[GuidelineRow, ...]:
    """Every published row, and whether the measured thickness reaches it.

    Sources differ from each other; all are shown. Reaching a row is not a permission.

    Parameters
    ----------
    thickness_cm: thinnest measured thickness [cm], 0 or more.
    white_ice: compare with twice the published thickness. This is the rule of the Minnesota DNR for
        thickness; it is not the same as half the strength, which would be 1.41 times.

    Returns
    -------
    GuidelineRow for each published row, thinnest first within a source.

    Raises
    ------
    ValueError: the thickness is negative, not finite or not a number.

    Examples
    --------
    >>> [row.use for row in guideline_rows(10.5) if not row.reached][:2]
    ['snowmobile or small all-terrain vehicle', 'side-by-side all-terrain vehicle']
    """
    factor = 2.0 if white_ice else 1.0
    return tuple(
        GuidelineRow(row.use, row.thickness_cm * factor, thickness_cm >= row.thickness_cm * factor, row.source)
        for row in GUIDELINES
    )


@kernel(
    title="Gold's formula",
    formula="P = A h²",
    source="L. W. Gold, Use of ice covers for transportation, Can. Geotech. J. 8 (1971) 170–181. "
    "A, from 3.5 to 6 kg/cm², is a level of risk: Government of the NWT, Guidelines for Safe Ice Construction (2015).",
    returns="kilogram",
    thickness_cm=not_negative(),
    a_kg_per_cm2=positive(),
)
def gold_load_kg(thickness_cm: Number, a_kg_per_cm2: Number) -> Any:
    """Load of Gold's empirical relation for a chosen A. Not a bearing capacity of any real ice.

    It was fitted to trucks on good, continuous ice, far from shore and cracks. Show CAUTIONS beside it.

    Parameters
    ----------
    thickness_cm: effective thickness of clear ice, float or array [cm], 0 or more.
    a_kg_per_cm2: A, the level of risk chosen [kg/cm²], above 0.

    Returns
    -------
    Load [kg].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> gold_load_kg(thickness_cm=30.0, a_kg_per_cm2=4.0)
    3600.0
    """
    return plain(np.asarray(a_kg_per_cm2) * np.asarray(thickness_cm) ** 2)


@kernel(
    title="Effective thickness of layered ice",
    formula="h = h_clear + ½ h_white",
    source="Canadian practice: white ice counts half (from memory). Others double the needed thickness instead.",
    returns="centimeter",
    clear_cm=not_negative(),
    white_cm=not_negative(),
)
def effective_thickness_cm(clear_cm: Number, white_cm: Number) -> Any:
    """Clear ice that layered ice is counted as, under the rule that white ice counts half.

    Parameters
    ----------
    clear_cm, white_cm: thickness of each layer, floats or arrays [cm], 0 or more.

    Returns
    -------
    Thickness [cm].

    Raises
    ------
    ValueError: an argument is out of range, not finite or not a number.

    Examples
    --------
    >>> effective_thickness_cm(clear_cm=20.0, white_cm=10.0)
    25.0
    """
    return plain(np.asarray(clear_cm) + np.asarray(white_cm) / 2.0)
