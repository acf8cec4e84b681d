"""Names of modes get the form in which they are compared, and those that are one are joined; a failure that was called
held keeps that person's word."""

from collections import defaultdict

from django.db import migrations


def one_form(name):
    """The form of version 0.9, as it was when this migration was written."""
    import unicodedata

    folded = unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", name).casefold())
    return " ".join(folded.replace(".", " ").split())


def join_modes(apps, schema_editor):
    Mode, Failure = apps.get_model("buildlog", "FailureMode"), apps.get_model("buildlog", "Failure")
    ModeChange = apps.get_model("buildlog", "ModeChange")
    same = defaultdict(list)
    for mode in Mode.objects.order_by("made_at", "name"):
        # A name of nothing but dots is kept as it is; its key must be its own.
        same[one_form(mode.name) or str(mode.pk)].append(mode)
    for key, modes in same.items():
        kept, *others = modes
        for other in others:
            moved = [str(pk) for pk in Failure.objects.filter(mode=other).values_list("pk", flat=True)]
            Failure.objects.filter(mode=other).update(mode=kept)
            ModeChange.objects.create(
                mode=kept, kind="joined", old_name=other.name, old_key=key, old_mode=other.pk, failures=moved
            )
            other.delete()
        Mode.objects.filter(pk=kept.pk).update(key=key)


def sign_what_was_held(apps, schema_editor):
    Failure, Modification = apps.get_model("buildlog", "Failure"), apps.get_model("buildlog", "Modification")
    FailureChange, SignOff = apps.get_model("buildlog", "FailureChange"), apps.get_model("buildlog", "SignOff")
    signed = {}
    for failure in Failure.objects.filter(state="held").select_related("revision"):
        vehicle, number = failure.revision.vehicle_id, failure.revision.number
        of_kind = Modification.objects.filter(
            answers__in=Failure.objects.filter(mode=failure.mode_id, revision__vehicle=vehicle),
            disproved_by__isnull=True, revision__number__gt=number,
        )  # fmt: skip
        step = FailureChange.objects.filter(failure=failure, to_state="held").order_by("changed_at", "pk").last()
        for fix in of_kind.distinct():
            signed[vehicle, failure.mode_id, fix.pk] = step
    for (vehicle, mode, fix), step in signed.items():
        sign_off = SignOff(
            vehicle_id=vehicle, mode_id=mode, kind="held", modification_id=fix, fixes=1, made_by=None,
            why=step.why if step else "Called held before reasons were kept.",
            failures=Failure.objects.filter(mode=mode, revision__vehicle=vehicle).count(),
        )  # fmt: skip
        if step is not None:
            sign_off.signed_at = sign_off.made_at = step.changed_at
            sign_off.made_by_id = step.account_id
            sign_off.signed_by = step.account.username if step.account_id else ""
        sign_off.save()


class Migration(migrations.Migration):
    dependencies = [("buildlog", "0018_loop_from_facts")]

    operations = [
        migrations.RunPython(join_modes, migrations.RunPython.noop),
        migrations.RunPython(sign_what_was_held, migrations.RunPython.noop),
    ]
