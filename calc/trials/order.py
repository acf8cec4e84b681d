"""In which order two builds are ridden on days that both have."""

from __future__ import annotations


def first_is_new(days: int) -> list[bool]:
    """For each day, whether the new build is ridden first and the old one after it.

    Old, new, then new, old, and so on (A-B-B-A): one change of the build a day, and none between days. What drifts in
    a straight line, such as the ice over the day or the pack over the season, then hits both alike after every two
    days (common practice, no source).

    Examples
    --------
    >>> first_is_new(4)
    [False, True, False, True]
    """
    return [day % 2 == 1 for day in range(days)]
