"""What a value's uncertainty is made of, source by source (its uncertainty budget).

Several results of a session rest on the same instrument: one charge counter gives what was used, what
is left and the energy per km, so its error is in all three. A budget keeps every source apart under
its name, with its sign, until the last result is worked out: there shared sources add up or cancel as
they do in truth (JCGM 100:2008, 5.2.2 and F.1.2.3).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np


@dataclass(frozen=True)
class Budget:
    """The shares of independent sources in the error of a value, floats or arrays in the value's unit.

    A share is how far the value is off when its source is off by one standard uncertainty upwards. Not known
    is NaN, in the shares and in what comes of them.
    """

    shares: dict[str, Any]

    def times(self, factor: Any) -> Budget:
        """The budget of the value times a factor that is taken as exact.

        Examples
        --------
        >>> Budget({"meter": 2.0}).times(-3.0).shares
        {'meter': -6.0}
        """
        return Budget({source: share * factor for source, share in self.shares.items()})

    def plus(self, other: Budget) -> Budget:
        """The budget of a sum: what both share adds up with its sign.

        Examples
        --------
        >>> Budget({"meter": 2.0}).plus(Budget({"meter": -1.5, "tape": 1.0})).shares
        {'meter': 0.5, 'tape': 1.0}
        """
        shares = dict(self.shares)
        for source, share in other.shares.items():
            shares[source] = shares[source] + share if source in shares else share
        return Budget(shares)

    def only(self, rows: Any) -> Budget:
        """The budget where `rows` holds, and no share of anything elsewhere."""
        return Budget({source: np.where(rows, share, 0.0) for source, share in self.shares.items()})

    @property
    def u(self) -> Any:
        """Combined standard uncertainty.

        Examples
        --------
        >>> Budget({"meter": 3.0, "tape": -4.0}).u
        5.0
        """
        return sum(share**2 for share in self.shares.values()) ** 0.5
