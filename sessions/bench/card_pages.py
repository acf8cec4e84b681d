"""Pages of test cards: the plan of a session."""

from __future__ import annotations

import uuid
from typing import Any

from django import forms
from django.db import transaction
from django.http import HttpResponse
from django.shortcuts import get_object_or_404, render
from django.urls import reverse
from django.views.decorators.http import require_safe

from buildlog.machines.models import Revision
from buildlog.people import current_account
from buildlog.people.form_pages import form_page
from buildlog.people.roles import Right, may_remove, needs
from buildlog.people.signed_in import SignedInRequest
from buildlog.records.forms import RecordForm
from buildlog.records.list_pages import asked_record
from buildlog.records.pages import change_record, remove_record, write_record
from sessions.bench.models import TestCard, TestCardItem

MOST_ITEMS = 40
WHY_MARK = " — "


class TestCardForm(RecordForm[TestCard]):
    """A card with its items, one on each line; an unchanged line keeps its tick."""

    __test__ = False

    items = forms.CharField(
        label="What to try, one on each line",
        widget=forms.Textarea,
        help_text=f"What it would tell may follow after “{WHY_MARK.strip()}”, for example: "
        "six passes both ways — is the new ratio faster?",
    )

    class Meta:
        model = TestCard
        fields = ["revision", "title", "items", "limits", "stops_the_day", "closed"]

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.offer("revision", Revision.objects.select_related("vehicle").order_by("vehicle__name", "-number"))
        if not self.instance._state.adding:
            self.initial["items"] = "\n".join(_line(item) for item in self.instance.items.all())

    @classmethod
    def lock(cls, record: TestCard) -> None:
        # A phone may tick an item at the same time.
        list(record.items.select_for_update())

    def clean_items(self) -> list[tuple[str, str]]:
        lines = [line.strip() for line in self.cleaned_data["items"].splitlines() if line.strip()]
        if len(lines) > MOST_ITEMS:
            raise forms.ValidationError(f"A card has at most {MOST_ITEMS} lines; {len(lines)} were written.")
        pairs = [tuple(part.strip() for part in line.partition(WHY_MARK)[::2]) for line in lines]
        for what, why in pairs:
            if len(what) > 300 or len(why) > 300:
                raise forms.ValidationError(f"The line is too long: “{what[:60]} …”. Use 300 characters at most.")
        self._refuse_to_delete_ticked_items({_written(what, why) for what, why in pairs})
        return pairs

    def _refuse_to_delete_ticked_items(self, lines: set[str]) -> None:
        """A ticked line is part of a session. Deleting the line deletes it there, which needs the right to do so."""
        account = current_account.account()
        for item in self.instance.items.all() if not self.instance._state.adding else ():
            gone = _line(item) not in lines and item.outcome != TestCardItem.Outcome.OPEN
            if gone and account is not None and not may_remove(account, item):
                raise forms.ValidationError(
                    f"“{item.what[:60]}” was ticked off in a session. Leave its line as it is, or ask a builder."
                )

    def save(self, commit: bool = True) -> TestCard:
        with transaction.atomic():
            card = super().save()
            if not self.writes("items"):
                return card
            known = {_line(item): item for item in card.items.all()}
            item_keys = []
            for position, (what, why) in enumerate(self.cleaned_data["items"], start=1):
                item = known.pop(_written(what, why), None)
                if item is None:
                    item = TestCardItem.objects.create(card=card, what=what, why=why, position=position)
                elif item.position != position:
                    item.position = position
                    item.save(update_fields=["position"])
                item_keys.append(item.pk)
            card.items.exclude(pk__in=item_keys).delete()
        return card


def _line(item: TestCardItem) -> str:
    return _written(item.what, item.why)


def _written(what: str, why: str) -> str:
    return what + (WHY_MARK + why if why else "")


@require_safe
def test_cards(request: SignedInRequest) -> HttpResponse:
    cards = (
        TestCard.objects.select_related("revision__vehicle").prefetch_related("items").order_by("closed", "-made_at")
    )
    return render(request, "bench/test_cards.html", {"cards": cards[:100]})


@require_safe
def test_card(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    card = get_object_or_404(
        TestCard.objects.select_related("revision__vehicle", "trial__revision", "trial__against").prefetch_related(
            "items__session__venue"
        ),
        pk=pk,
    )
    return render(request, "bench/test_card.html", {"card": card})


@form_page
@needs(Right.LOG)
def new_test_card(request: SignedInRequest) -> HttpResponse:
    """A new card for what is ridden now; what it says may be taken from another one."""
    riding = Revision.objects.filter(status=Revision.Status.RIDING).order_by("-date", "-number").first()
    initial: dict[str, Any] = {"revision": riding.pk} if riding else {}
    like = asked_record(TestCard.objects.prefetch_related("items"), request.GET.get("like"))
    if like is not None:
        lines = "\n".join(_line(item) for item in like.items.all())
        initial |= {"title": like.title, "items": lines, "limits": like.limits, "stops_the_day": like.stops_the_day}
    return write_record(
        request, TestCardForm, TestCard(), title="New test card", back=reverse("test_cards"), initial=initial
    )


@form_page
@needs(Right.LOG)
def edit_test_card(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    rows = TestCard.objects.prefetch_related("items")
    return change_record(request, TestCardForm, rows, pk, list_page="test_cards")


@form_page
@needs(Right.LOG)
def remove_test_card(request: SignedInRequest, pk: uuid.UUID) -> HttpResponse:
    card = get_object_or_404(TestCard, pk=pk)
    return remove_record(request, card, back=card.get_absolute_url(), after=reverse("test_cards"))
