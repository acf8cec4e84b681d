"""Each failure whose cause was written down gets a cause of its own; equal words on one machine share it."""

from django.db import migrations


def make_causes(apps, schema_editor):
    # The database that is brought up to date need not be the one the site runs on.
    here = schema_editor.connection.alias
    Failure, Cause = (apps.get_model("buildlog", name).objects.using(here) for name in ("Failure", "Cause"))
    for failure in Failure.exclude(cause="").select_related("revision"):
        words = failure.cause.strip()
        statement = words if len(words) <= 300 else words[:299] + "…"
        if not statement:
            continue
        cause, _ = Cause.get_or_create(vehicle_id=failure.revision.vehicle_id, statement=statement)
        # What does not fit into one sentence stays as the first whys of the chain.
        if len(words) > 300 and not cause.whys:
            cause.whys = [words[start : start + 300] for start in range(0, len(words), 300)][:7]
        cause.confirmed = cause.confirmed or failure.cause_confirmed
        cause.save()
        Failure.filter(pk=failure.pk).update(found_cause=cause)


def write_words(apps, schema_editor):
    Failure = apps.get_model("buildlog", "Failure").objects.using(schema_editor.connection.alias)
    for failure in Failure.filter(found_cause__isnull=False).select_related("found_cause"):
        words = "".join(failure.found_cause.whys) or failure.found_cause.statement
        Failure.filter(pk=failure.pk).update(cause=words, cause_confirmed=failure.found_cause.confirmed)


class Migration(migrations.Migration):
    dependencies = [("buildlog", "0003_loop")]
    operations = [migrations.RunPython(make_causes, write_words)]
