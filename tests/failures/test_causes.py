"""Causes: found, shown, joined, and carried over from words."""

import pytest

from buildlog.models import (
    Cause,
)
from tests.migrated_databases import earlier_database

# Causes


def post_cause(client, failure, **form):
    return client.post(f"/failures/{failure.pk}/cause/", {"statement": "", "whys": "", **form})


def test_a_cause_is_found_shown_and_joined(sign_in, came, vehicle):
    first, second = came(), came("belt slipped", day=1)
    client = sign_in("recorder")
    refused = post_cause(client, first, statement="The frame flexes.", whys="It hung slack.", confirmed="on")
    assert "needs what shows it" in refused.content.decode()
    assert "It hung slack." in refused.content.decode()
    assert not Cause.objects.exists()
    post_cause(
        client, first, statement="The frame flexes.", whys="It jumped.\nIt hung slack.", confirmed="on",
        excerpt="Gap 4 mm under load",
    )  # fmt: skip
    cause = Cause.objects.get()
    assert (cause.whys, cause.confirmed) == (["It jumped.", "It hung slack."], True)
    assert cause.evidence.get().excerpt == "Gap 4 mm under load"
    post_cause(client, second, cause=str(cause.pk), confirmed="on")
    second.refresh_from_db()
    assert second.cause == cause
    page = client.get(f"/failures/{second.pk}/").content.decode()
    assert "Also behind" in page
    assert "chain came off on R1" in page
    assert Cause.objects.count() == 1


def test_a_cause_needs_words_and_a_short_chain(sign_in, came, failure):
    client = sign_in("recorder")
    assert "Write the cause" in post_cause(client, failure).content.decode()
    long_chain = "\n".join(f"Why {n}" for n in range(9))
    assert "at most 7" in post_cause(client, failure, statement="x", whys=long_chain).content.decode()


@pytest.mark.django_db
def test_the_words_of_an_older_installation_become_causes(tmp_path):
    with earlier_database(tmp_path / "earlier.sqlite3") as models_at:
        old = {model.__name__: model.objects.using("earlier") for model in models_at("0003_loop").get_models()}
        vehicle = old["Vehicle"].create(name="Old sled")
        revision = old["Revision"].create(vehicle=vehicle, number=1, date="2026-01-01")
        mode = old["FailureMode"].create(name="old mode")
        for words, sure in (("The frame flexes.", False), ("The frame flexes.", True), ("", False), ("x" * 700, False)):
            old["Failure"].create(revision=revision, mode=mode, severity=3, cause=words, cause_confirmed=sure)
        new = {
            model.__name__: model.objects.using("earlier") for model in models_at("0005_cause_is_a_record").get_models()
        }
        shared = new["Cause"].get(statement="The frame flexes.")
        assert shared.confirmed
        assert shared.failures.count() == 2
        assert new["Failure"].filter(cause=None).count() == 1
        assert "".join(new["Cause"].exclude(pk=shared.pk).get().whys) == "x" * 700
