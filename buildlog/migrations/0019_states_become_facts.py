"""Names of modes get the form in which they are compared, and those that are one are joined; a failure that was called
held keeps that person's word."""

import uuid
from collections import defaultdict

from django.db import migrations


def one_form(name):
    """The form of version 0.9, as it was when this migration was written."""
    import unicodedata

    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    return " ".join(folded.replace(".", " ").split())


def records(apps, schema_editor, *names):
    """The records of the database that is migrated, which need not be the one that the site runs on."""
    alias = schema_editor.connection.alias
    return [apps.get_model("buildlog", name).objects.using(alias) for name in names]


def join_modes(apps, schema_editor):
    Mode, Failure, ModeChange = records(apps, schema_editor, "FailureMode", "Failure", "ModeChange")
    same = defaultdict(list)
    for mode in Mode.order_by("made_at", "name"):
        # A name of nothing but dots is kept as it is; its key must be its own.
        same[one_form(mode.name) or str(mode.pk)].append(mode)
    for key, modes in same.items():
        kept, *others = modes
        for other in others:
            moved = [str(pk) for pk in Failure.filter(mode=other).values_list("pk", flat=True)]
            Failure.filter(mode=other).update(mode=kept)
            ModeChange.create(
                mode=kept, kind="joined", old_name=other.name, old_key=key, old_mode=other.pk, failures=moved
            )
            other.delete()
        Mode.filter(pk=kept.pk).update(key=key)


def sign_what_was_held(apps, schema_editor):
    Failure, Modification, FailureChange = records(
        apps, schema_editor, "Failure", "Modification", "FailureChange"
    )
    SignOff = apps.get_model("buildlog", "SignOff")
    signed = {}
    for failure in Failure.filter(state="held").select_related("revision").order_by("happened_at", "pk"):
        vehicle, number = failure.revision.vehicle_id, failure.revision.number
        of_kind = Modification.filter(
            answers__in=Failure.filter(mode=failure.mode_id, revision__vehicle=vehicle),
            disproved_by__isnull=True, revision__number__gt=number,
        )  # fmt: skip
        step = FailureChange.filter(failure=failure, to_state="held").order_by("changed_at", "pk").last()
        for fix in of_kind.distinct():
            signed[vehicle, failure.mode_id, fix.pk] = step, failure.happened_at
    for (vehicle, mode, fix), (step, happened_at) in signed.items():
        sign_off = SignOff(
            # The same however often an update begins again.
            id=uuid.uuid5(fix, str(mode)), signed_at=happened_at, made_at=happened_at,
            vehicle_id=vehicle, mode_id=mode, kind="held", modification_id=fix, fixes=1, made_by=None,
            why=step.why if step else "Called held before reasons were kept.",
            failures=Failure.filter(mode=mode, revision__vehicle=vehicle).count(),
        )  # fmt: skip
        if step is not None:
            sign_off.signed_at = sign_off.made_at = step.changed_at
            sign_off.made_by_id = step.account_id
            sign_off.signed_by = step.account.username if step.account_id else ""
        sign_off.save(using=schema_editor.connection.alias)


class Migration(migrations.Migration):
    dependencies = [("buildlog", "0018_loop_from_facts")]

    operations = [
        migrations.RunPython(join_modes, migrations.RunPython.noop),
        migrations.RunPython(sign_what_was_held, migrations.RunPython.noop),
    ]
