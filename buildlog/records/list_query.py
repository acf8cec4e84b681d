"""What a list is asked for by its address: words, filters, an order, and all of it as a file."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from django.http import HttpResponse
from django.utils.text import slugify

from buildlog.records.csv_tables import as_csv
from buildlog.storage.kept_file_answers import FILE_POLICY

WORDS, SORT, EXPORT = "q", "sort", "export"
MOST_WORDS = 8


class Filter(NamedTuple):
    """A choice that narrows a list: its name in the address, and what may be chosen."""

    name: str
    label: str
    choices: Sequence[tuple[str, str]]
    chosen: str = ""


class ListQuery:
    """A list's question. Values that are no choice count as none, so that no address breaks a list.

    Parameters
    ----------
    asked: the address's own values.
    filters: what narrows the list.
    sorts: orders with their labels, the usual one first.
    subjects: names in the address that say what the list is of; they stay when it is searched.
    """

    def __init__(
        self,
        asked: Mapping[str, str],
        filters: Iterable[Filter] = (),
        sorts: Sequence[tuple[str, str]] = (),
        subjects: Iterable[str] = (),
    ) -> None:
        # PostgreSQL refuses the character NUL in any text.
        self.text = asked.get(WORDS, "").replace("\0", "").strip()[:200]
        self.words = self.text.split()[:MOST_WORDS]
        self.filters = [
            known._replace(chosen=value if (value := asked.get(known.name, "")) in dict(known.choices) else "")
            for known in filters
        ]
        self.sorts = sorts
        sort = asked.get(SORT, "")
        self.sort = sort if sort in dict(sorts) else sorts[0][0] if sorts else ""
        self.subjects = [(name, asked[name]) for name in subjects if asked.get(name)]
        self.is_export = asked.get(EXPORT) == "csv"

    def chosen(self, name: str) -> str:
        """The chosen value of a filter; "" for none."""
        return next(known.chosen for known in self.filters if known.name == name)

    @property
    def is_arranged(self) -> bool:
        """Whether a filter or another than the usual order was chosen."""
        usual = self.sorts[0][0] if self.sorts else ""
        return self.sort != usual or any(known.chosen for known in self.filters)

    @property
    def is_narrowed(self) -> bool:
        """Whether the list shows less than it could."""
        return bool(self.text or any(known.chosen for known in self.filters) or self.subjects)


def csv_answer(name: str, columns: Sequence[str], rows: Iterable[Iterable[object]]) -> HttpResponse:
    """What a list shows, all pages of it, as a file."""
    response = HttpResponse(as_csv(columns, rows), content_type="text/csv; charset=utf-8")
    response["Content-Disposition"] = f'attachment; filename="{slugify(name)}.csv"'
    response["Content-Security-Policy"] = FILE_POLICY
    return response
