"""A search over everything: for each kind of record the newest that hold every word, in one query a kind."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time, timedelta
from typing import Any

from django.db.models import Model, Q, QuerySet
from django.urls import reverse
from django.utils import timezone

from buildlog.failures.models import Failure, FailureMode, Modification
from buildlog.machines.models import Part, Revision, Vehicle
from buildlog.people.models import Account
from buildlog.people.roles import Right, has_right
from buildlog.photos.models import Photo
from sessions.bench.models import TestCard
from sessions.logs.models import Log
from sessions.outings.models import Gate, Reading, Session, Venue
from sessions.trials.models import Trial

SHOWN = 8
"""Of each kind; more words narrow them down."""
MOST_WORDS = 6
LONGEST_WORD = 60
_NUMBER = re.compile(r"[Rr]?(\d{1,4})")
_DAY = re.compile(r"(\d{4})-(\d{2})(?:-(\d{2}))?")


@dataclass(frozen=True)
class Hit:
    label: str
    detail: str
    address: str


@dataclass(frozen=True)
class Hits:
    """Of one kind of record. has_more: more hold these words than are shown."""

    title: str
    rows: list[Hit]
    has_more: bool


@dataclass(frozen=True)
class Kind:
    """A kind of record: where words are looked for, and how a record is shown.

    number: a column that a word such as "R6" names; moment: a column of time that a word such as "2026-02" names.
    """

    title: str
    rows: QuerySet[Any]
    fields: tuple[str, ...]
    shown: Callable[[Any, Sequence[str]], Hit]
    number: str = ""
    moment: str = ""

    def hits(self, words: Sequence[str]) -> Hits:
        wanted = Q()
        for word in words:
            wanted &= self._holds(word)
        records = list(self.rows.filter(wanted)[: SHOWN + 1])
        return Hits(self.title, [self.shown(record, words) for record in records[:SHOWN]], len(records) > SHOWN)

    def _holds(self, word: str) -> Q:
        held = Q()
        for spelling in _spellings(word):
            for name in self.fields:
                held |= Q(**{f"{name}__icontains": spelling})
        number = _NUMBER.fullmatch(word)
        if self.number and number:
            held |= Q(**{self.number: int(number[1])})
        period = _period(word)
        if self.moment and period:
            held |= Q(**{f"{self.moment}__gte": period[0], f"{self.moment}__lt": period[1]})
        return held


@dataclass
class Search:
    """What an address asks for, and what was read for it."""

    text: str
    hits: list[Hits] = field(default_factory=list)

    @property
    def words(self) -> list[str]:
        return [word[:LONGEST_WORD] for word in self.text.replace("\0", "").split()[:MOST_WORDS]]


def search_of(text: str, account: Any) -> Search:
    """The kinds that hold every word, of those that the account may see."""
    search = Search(text)
    if search.words:
        kinds = [*KINDS, PEOPLE] if has_right(account, Right.ADMIT) else KINDS
        search.hits = [hits for kind in kinds if (hits := kind.hits(search.words)).rows]
    return search


def _spellings(word: str) -> Iterable[str]:
    """SQLite knows small and capital letters of English only."""
    return {word} if word.isascii() else {word, word.lower(), word.upper(), word.capitalize()}


def _period(word: str) -> tuple[datetime, datetime] | None:
    """From when to when a day or a month lasted here; None for other words."""
    written = _DAY.fullmatch(word)
    if written is None:
        return None
    year, month, day = int(written[1]), int(written[2]), int(written[3] or 1)
    try:
        first = date(year, month, day)
        after = first + timedelta(days=1) if written[3] else date(year + month // 12, month % 12 + 1, 1)
    except (ValueError, OverflowError):
        return None
    midnights = [datetime.combine(midnight, time.min) for midnight in (first, after)]
    return timezone.make_aware(midnights[0]), timezone.make_aware(midnights[1])


def _excerpt(text: str, words: Sequence[str]) -> str:
    """The part of a text around the first word that it holds, or its beginning."""
    plain = " ".join(text.split())
    place = min((at for word in words if (at := plain.lower().find(word.lower())) >= 0), default=0)
    begin = max(0, place - 40)
    cut = plain[begin : begin + 120]
    return f"{'… ' if begin else ''}{cut}{' …' if begin + 120 < len(plain) else ''}"


def _beside(first: str, text: str, words: Sequence[str]) -> str:
    """What a record is, and the part of its text that holds a word, where it has one."""
    return f"{first} · {_excerpt(text, words)}" if text else first


def _day(moment: datetime) -> str:
    return f"{timezone.localtime(moment):%Y-%m-%d}"


def _plain(text: str, detail: str, record: Model) -> Hit:
    return Hit(text, detail, record.get_absolute_url())  # type: ignore[attr-defined]  # every record of ours has it


def _session(session: Session, words: Sequence[str]) -> Hit:
    detail = _beside(str(session.revision), session.notes, words)
    return _plain(f"{session.venue.name}, {_day(session.started_at)}", detail, session)


def _failure(failure: Failure, words: Sequence[str]) -> Hit:
    text = failure.conditions or (failure.cause.statement if failure.cause else "")
    detail = f"{failure.revision}, {_day(failure.happened_at)}, severity {failure.severity_numeral}"
    return _plain(failure.mode.name, _beside(detail, text, words), failure)


def _reading(reading: Reading, words: Sequence[str]) -> Hit:
    session = reading.session
    return _plain(_excerpt(reading.note, words), f"{session.venue.name}, {_day(session.started_at)}", session)


KINDS = [
    Kind(
        "Machines", Vehicle.objects.order_by("name"), ("name", "purpose"),
        lambda vehicle, words: _plain(vehicle.name, _excerpt(vehicle.purpose, words), vehicle),
    ),
    Kind(
        "Revisions", Revision.objects.select_related("vehicle").order_by("-date", "-number"),
        ("vehicle__name", "purpose"),
        lambda revision, words: _plain(
            str(revision), _beside(revision.get_status_display(), revision.purpose, words), revision
        ),
        number="number",
    ),
    Kind(
        "Modifications", Modification.objects.select_related("revision__vehicle").order_by("-revision__date", "title"),
        ("title", "reason", "revision__vehicle__name"),
        lambda change, words: _plain(change.title, _beside(str(change.revision), change.reason, words), change),
        number="revision__number",
    ),
    Kind(
        "Sessions", Session.objects.select_related("revision__vehicle", "venue").order_by("-started_at", "-pk"),
        ("notes", "venue__name", "revision__vehicle__name"), _session, number="revision__number", moment="started_at",
    ),
    Kind(
        "Notes of readings",
        Reading.objects.select_related("session__revision__vehicle", "session__venue")
        .exclude(note="").order_by("-session__started_at", "pk"),
        ("note",), _reading, moment="session__started_at",
    ),
    Kind(
        "Failures",
        Failure.objects.select_related("mode", "revision__vehicle", "cause").order_by("-happened_at", "-pk"),
        ("mode__name", "conditions", "part__name", "cause__statement", "revision__vehicle__name"),
        _failure, number="revision__number", moment="happened_at",
    ),
    Kind(
        "Names of failures", FailureMode.objects.order_by("name"), ("name",),
        lambda mode, words: _plain(mode.name, "", mode),
    ),
    Kind(
        "Parts", Part.objects.order_by("name"), ("name", "notes", "category"),
        lambda part, words: _plain(part.name, _beside(part.get_category_display(), part.notes, words), part),
    ),
    Kind(
        "Venues", Venue.objects.order_by("name"), ("name", "notes"),
        lambda venue, words: _plain(venue.name, _excerpt(venue.notes, words), venue),
    ),
    Kind(
        "Gates", Gate.objects.select_related("venue").order_by("venue__name", "name"), ("name", "venue__name"),
        lambda gate, words: _plain(gate.name, gate.venue.name, gate.venue),
    ),
    Kind(
        "Test cards", TestCard.objects.select_related("revision__vehicle").order_by("-made_at"),
        ("title", "limits", "stops_the_day", "revision__vehicle__name"),
        lambda card, words: _plain(card.title, f"{card.revision}, {_day(card.made_at)}", card),
        number="revision__number",
    ),
    Kind(
        "Trials",
        Trial.objects.select_related("revision__vehicle", "against", "modification").order_by("-opened_on", "pk"),
        ("note", "modification__title", "revision__vehicle__name"),
        lambda trial, words: _plain(str(trial), f"{trial.revision.vehicle.name}, {trial.state}", trial),
        number="revision__number",
    ),
    Kind(
        "Logs", Log.objects.select_related("session__venue").order_by("-stored_at"), ("name",),
        lambda log, words: _plain(log.name, f"{log.session.venue.name}, {_day(log.session.started_at)}", log),
    ),
    Kind(
        "Photos", Photo.objects.order_by("-taken_at"), ("caption",),
        lambda photo, words: _plain(photo.caption, _day(photo.taken_at), photo),
    ),
]  # fmt: skip
"""In the order of the page."""
PEOPLE = Kind(
    "People", Account.objects.order_by("username"), ("username",),
    lambda account, words: Hit(account.username, account.get_role_display(), reverse("person", args=[account.pk])),
)  # fmt: skip
"""Only those who admit others may look people up."""
