"""The page of the search."""

from __future__ import annotations

from django.http import HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from buildlog.people.signed_in import SignedInRequest
from sessions.bench.search import LONGEST_WORD, MOST_WORDS, search_of


@require_safe
def search(request: SignedInRequest) -> HttpResponse:
    text = request.GET.get("q", "").strip()[: MOST_WORDS * (LONGEST_WORD + 1)]
    return render(request, "bench/search.html", {"search": search_of(text, request.user)})
