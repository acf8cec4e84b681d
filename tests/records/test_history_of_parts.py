"""What belongs to a record alone is kept with it: marks of a gate, lines of a card, what its forms write besides."""

import io
import json
from datetime import timedelta

import pytest
from reversion.models import Revision as KeptRevision
from reversion.models import Version

from buildlog.machines.confirmations import confirm
from buildlog.models import Cause, Confirmation, Modification, Removal
from buildlog.records import history
from sessions.models import Gate, GateMark, Log, MarkTap, Pass, TestCardItem, Trial
from sessions.sharing import archive
from tests.filled_forms import opened


def words(record, unit_system="metric"):
    """What a record's history says, the newest first: the act, and label, was, is of each difference."""
    return [
        (event.change.act, [tuple(difference) for difference in event.differences])
        for event in history.events_of(record, unit_system)
    ]


def positions(gate):
    return [mark.position_m for mark in gate.marks.all()]


def typed(client, gate, marks, **fields):
    path = f"/gates/{gate.pk}/edit/"
    assert client.post(path, opened(client, path) | {"marks": "\n".join(marks)} | fields).status_code == 302


def sent(client, gate, marks):
    path = f"/api/v1/gates/{gate.pk}/"
    body = {"marks": marks, "version": client.get(path).json()["version"]}
    answer = client.patch(path, json.dumps(body), content_type="application/json")
    assert answer.status_code == 200, answer.content


def undone(client, record):
    address = f"/history/{record._meta.model_name}/{record.pk}/undo/"
    return client.post(address, follow=True).content.decode()


def start_anew():
    """As on another installation: no record, and no history."""
    for model in reversed(archive.ORDER):
        model._base_manager.all().delete()
    for kept in (Version, KeptRevision):
        kept.objects.all().delete()


@pytest.fixture
def builder(sign_in):
    return sign_in("builder")


def test_each_mark_of_a_gate_is_shown_as_it_was_and_is(builder, gate):
    typed(builder, gate, ["0", "98.25 m", "150 m"])
    sent(builder, gate, [{"position_m": 0.0}, {"position_m": 98.25}])
    assert words(gate) == [
        ("changed", [("Mark 3", "150 m", "nothing")]),
        ("changed", [("Mark 2", "100 m", "98.25 m"), ("Mark 3", "nothing", "150 m")]),
        ("made", []),
    ]
    page = builder.get(f"/history/gate/{gate.pk}/").content.decode()
    assert "Mark 2: <del>100 m</del> → <ins>98.25 m</ins>" in page
    assert f"/history/gate/{gate.pk}/" in builder.get(gate.get_absolute_url()).content.decode()


def test_marks_a_centimetre_apart_do_not_look_alike(builder, gate):
    typed(builder, gate, ["0", "1234.56 m"])
    typed(builder, gate, ["0", "1234.57 m"])
    assert words(gate)[0] == ("changed", [("Mark 2", "1234.56 m", "1234.57 m")])
    assert words(gate, "imperial")[0][1][0][0] == "Mark 2"


def test_marks_from_coordinates_say_where_they_are(builder, gate):
    typed(builder, gate, ["61.0412, 24.9175", "61.0421, 24.9175"], method="coordinates")
    [method, first, second] = words(gate)[0][1]
    assert method == ("How the distance is known", "Taped", "From coordinates (WGS84)")
    assert first == ("Mark 1", "0 m", "0 m (61.0412000, 24.9175000)")
    assert second[1] == "100 m"
    assert second[2].endswith("(61.0421000, 24.9175000)")


@pytest.mark.parametrize("door", ["form", "API"])
def test_undo_gives_the_marks_and_every_speed_back(door, builder, gate, timed_pass):
    """5 s over 100 m are 72 km/h."""
    speed = f"/sessions/{timed_pass.session_id}/"
    assert "72" in builder.get(speed).content.decode()
    if door == "form":
        typed(builder, gate, ["0", "50 m", "110 m"], name="Long straight")
    else:
        sent(builder, gate, [{"position_m": 0.0}, {"position_m": 50.0}, {"position_m": 110.0}])
    for expected in ([0.0, 100.0], [0.0, 50.0, 110.0], [0.0, 100.0]):
        assert "The last change was undone" in undone(builder, gate)
        assert positions(gate) == expected
    gate.refresh_from_db()
    assert gate.name == "Straight"
    assert words(gate)[0][0] == "undone"
    api = builder.get(f"/api/v1/gates/{gate.pk}/").json()
    assert [mark["position_m"] for mark in api["marks"]] == [0.0, 100.0]


def test_marks_changed_by_something_that_keeps_no_history_are_not_overwritten(builder, gate):
    sent(builder, gate, [{"position_m": 0.0}, {"position_m": 98.0}])
    GateMark.objects.filter(gate=gate, position_m=98.0).update(position_m=97.0)
    assert "changed since in another way" in undone(builder, gate)
    assert positions(gate) == [0.0, 97.0]


def test_a_change_after_one_that_was_not_kept_is_undone_alone(builder, gate):
    """Undoing it went back to the last kept state, and took the other change back without a word."""
    sent(builder, gate, [{"position_m": 0.0}, {"position_m": 98.0}])
    Gate.objects.filter(pk=gate.pk).update(name="Renamed by a command")
    sent(builder, gate, [{"position_m": 0.0}, {"position_m": 97.0}])
    assert [act for act, _ in words(gate)] == ["changed", "stood", "changed", "made"]
    undone(builder, gate)
    gate.refresh_from_db()
    assert (gate.name, positions(gate)) == ("Renamed by a command", [0.0, 98.0])


def test_a_gate_whose_marks_an_earlier_version_did_not_keep(builder, gate):
    """Its states have no parts. What they do not say is not shown as a change, and is not put back."""
    sent(builder, gate, [{"position_m": 0.0}, {"position_m": 98.0}])
    for version in Version.objects.get_for_object(gate):
        [state] = json.loads(version.serialized_data)
        del state["parts"]
        version.serialized_data = json.dumps([state])
        version.save()
    assert words(gate) == [("changed", []), ("made", [])]
    assert "kept nothing of what was changed last" in undone(builder, gate)
    assert positions(gate) == [0.0, 98.0]
    sent(builder, gate, [{"position_m": 0.0}, {"position_m": 97.0}])
    assert words(gate)[0] == ("changed", [("Mark 2", "98 m", "97 m")])
    undone(builder, gate)
    assert positions(gate) == [0.0, 98.0]


def test_a_deleted_gate_comes_back_with_its_marks_and_their_history(builder, gate):
    sent(builder, gate, [{"position_m": 0.0}, {"position_m": 98.0}])
    assert builder.post(f"/gates/{gate.pk}/remove/").status_code == 302
    assert not GateMark.objects.exists()
    builder.post(f"/trash/{Removal.objects.get().pk}/restore/")
    assert positions(gate) == [0.0, 98.0]
    assert words(gate) == [
        ("restored", []),
        ("removed", []),
        ("changed", [("Mark 2", "100 m", "98 m")]),
        ("made", []),
    ]


def test_an_archive_takes_the_history_of_the_marks_along(builder, gate, session, timed_pass, card, trial):
    sent(builder, gate, [{"position_m": 0.0}, {"position_m": 98.0}])
    TestCardItem.objects.create(card=card, what="Six passes", why="is it faster?", outcome="done", session=session)
    path = f"/test-cards/{card.pk}/edit/"
    assert builder.post(path, opened(builder, path) | {"items": "Brake from 30"}).status_code == 302
    before = words(gate), words(card)
    packed = io.BytesIO()
    archive.export_machine(session.revision.vehicle, packed)
    assert b"made_by" not in packed.getvalue()
    start_anew()
    done = archive.import_machine(packed, len(packed.getvalue()))
    assert done.notes == []
    assert (words(gate), words(card)) == before
    assert words(card)[0][1] == [
        ("Line", "Six passes — is it faster? (done)", "nothing"),
        ("Line", "nothing", "Brake from 30"),
    ]
    history.undo(Gate.objects.get(pk=gate.pk))
    assert positions(gate) == [0.0, 100.0]
    history.undo(card)
    item = card.items.get()
    assert (item.what, item.outcome, item.session_id) == ("Six passes", "done", session.pk)


@pytest.mark.parametrize(
    "parts",
    [7, {"marks": 7}, {"marks": [7]}, {"marks": [{"position_m": "far"}]}, {"marks": [{"position_m": 1.0}] * 999}],
)
def test_odd_parts_of_an_archive_are_left_out_with_their_change(parts, builder, gate, timed_pass):
    from tests.sharing.test_archive_history import remade

    sent(builder, gate, [{"position_m": 0.0}, {"position_m": 98.0}])
    packed = io.BytesIO()
    archive.export_machine(timed_pass.session.revision.vehicle, packed)

    def spoil(records):
        records["history"][-1]["parts"] = parts

    packed = remade(packed, spoil)
    start_anew()
    done = archive.import_machine(packed, len(packed.getvalue()))
    assert "1 change in the history of its records cannot be read" in done.notes[0]
    assert positions(gate) == [0.0, 98.0]


def test_an_archive_adds_no_mark_to_a_gate_that_is_here(builder, gate, timed_pass):
    """A gate whose second mark was moved since got a third one where it had been."""
    packed = io.BytesIO()
    archive.export_machine(timed_pass.session.revision.vehicle, packed)
    sent(builder, gate, [{"position_m": 0.0}, {"position_m": 98.0}])
    archive.import_machine(packed, len(packed.getvalue()))
    assert positions(gate) == [0.0, 98.0]


def lines(client, card, *texts, **fields):
    path = f"/test-cards/{card.pk}/edit/"
    assert client.post(path, opened(client, path) | {"items": "\n".join(texts)} | fields).status_code == 302


def test_lines_of_a_card_are_kept_and_come_back_under_their_keys(builder, card):
    lines(builder, card, "Six passes — is it faster?", "Brake from 30")
    kept = {item.what: item.pk for item in card.items.all()}
    lines(builder, card, "Brake from 30", "Brake from 50")
    assert words(card)[0] == (
        "changed",
        [("Line", "Six passes — is it faster?", "nothing"), ("Line", "nothing", "Brake from 50")],
    )
    undone(builder, card)
    assert {item.what: item.pk for item in card.items.all()} == kept
    assert [item.what for item in card.items.all()] == ["Six passes", "Brake from 30"]
    lines(builder, card, "Brake from 30", "Six passes — is it faster?")
    [order] = words(card)[0][1]
    assert order[0] == "Order"


def test_undoing_a_card_leaves_ticks_that_came_since(builder, card, session):
    lines(builder, card, "Six passes", "Brake from 30")
    lines(builder, card, "Six passes", "Brake from 30", "Ride home", title="Renamed")
    TestCardItem.objects.filter(what="Six passes").update(outcome="done", session=session)
    undone(builder, card)
    card.refresh_from_db()
    assert card.title == "Next outing"
    assert [(item.what, item.outcome) for item in card.items.all()] == [
        ("Six passes", "done"),
        ("Brake from 30", "open"),
    ]
    undone(builder, card)
    assert card.items.first().outcome == "done"
    TestCardItem.objects.filter(what="Ride home").update(outcome="done", session=session)
    assert "changed since in another way" in undone(builder, card)
    assert TestCardItem.objects.get(what="Ride home").outcome == "done"


def test_a_cause_that_a_failure_s_form_changes_keeps_its_own_history(builder, failure):
    failure.cause = Cause.objects.create(vehicle=failure.revision.vehicle, statement="Spring", whys=["It slipped"])
    failure.save()
    path = f"/failures/{failure.pk}/cause/"
    fields = {"statement": "Spring too soft", "whys": "It slipped\nIt was cold"}
    assert builder.post(path, opened(builder, path) | fields).status_code == 302
    assert words(failure) == []
    [(_, differences), _] = words(failure.cause)
    assert [difference[1:] for difference in differences] == [
        ("Spring", "Spring too soft"),
        ("It slipped", "It slipped; It was cold"),
    ]
    page = builder.get(f"/history/failure/{failure.pk}/").content.decode()
    assert f'href="/history/cause/{failure.cause_id}/"' in page
    undone(builder, failure.cause)
    assert Cause.objects.get().whys == ["It slipped"]


def test_an_answered_doubt_keeps_what_was_said_before_and_goes_to_the_trash(builder, confirmation, session):
    answer = {"vehicle": confirmation.vehicle, "values": {"wind_mps": 25.0}, "confirmed_by": "ilo"}
    again = confirm("session", session.pk, "wind", reason="Gusts, read twice.", **answer)
    assert again.pk == confirmation.pk
    labels = {difference[0]: difference[1:] for difference in words(again)[0][1]}
    assert labels["Why it is so"] == ("Read again.", "Gusts, read twice.")
    assert labels["Values it was given for"] == ("nothing", "wind 25 m/s")
    assert builder.post(f"/doubts/{again.pk}/ask-again/").status_code == 302
    assert not Confirmation.objects.exists()
    builder.post(f"/trash/{Removal.objects.get().pk}/restore/")
    assert Confirmation.objects.get().reason == "Gusts, read twice."


def test_closing_a_trial_is_in_its_history(builder, trial):
    builder.post(f"/trials/{trial.pk}/close/")
    [(_, [difference]), _] = words(trial)
    assert difference[:2] == ("Closed on", "nothing")
    undone(builder, trial)
    assert Trial.objects.get().is_open


def test_a_pass_that_marks_pair_differently_keeps_what_it_was(builder, gate, session):
    at = session.started_at
    for after_s, last in ((10, False), (15, True)):
        MarkTap.objects.create(
            session=session, gate=gate, at=at + timedelta(seconds=after_s), at_last_mark=last, u_s=0.1
        )
    run = Pass.objects.get()
    MarkTap.objects.get(at_last_mark=True).delete()
    assert words(run)[0] == (
        "changed",
        [("Counts", "yes", "no"), ("Why it does not count", "nothing", words(run)[0][1][1][2])],
    )


def test_what_a_modification_changed_is_named(builder, revision, fitting):
    fix = Modification.objects.create(revision=revision, title="Tensioner")
    path = f"/modifications/{fix.pk}/edit/"
    changed = [str(fitting.part_id), "wheelbase_m"]
    assert builder.post(path, opened(builder, path) | {"changed": changed}).status_code == 302
    [(_, [difference]), _] = words(fix)
    assert difference[1] == "nothing"
    assert sorted(difference[2].split(", ")) == sorted([str(fitting.part), "wheelbase"])


def test_no_other_row_is_part_of_a_record_without_being_kept():
    """Every row that goes with its owner is kept by itself, as a part, or is none of a person's making."""
    from django.apps import apps
    from django.db.models import CASCADE, ForeignKey
    from reversion import is_registered

    made_by_the_program = {"AccessEvent", "OpenSignIn", "LogImport"}
    opens_the_log = {"Invitation", "DeviceToken", "ShareLink", "Account"}
    of_the_history = {"Change", "Removal"}
    left = set()
    for label in ("buildlog", "test_sessions"):
        for model in apps.get_app_config(label).get_models():
            hangs = any(
                isinstance(column, ForeignKey) and column.remote_field.on_delete is CASCADE
                for column in model._meta.concrete_fields
            )
            if hangs and not is_registered(model):
                left.add(model.__name__)
    assert left <= made_by_the_program | opens_the_log | of_the_history
    assert is_registered(Log)
