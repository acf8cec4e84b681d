from django.conf import settings
from django.db import migrations, models
from django.utils import timezone

from buildlog.people import current_account

RECORDS = (
    "gate",
    "gonogocheck",
    "log",
    "pass",
    "reading",
    "session",
    "testcarditem",
    "trackpart",
    "venue",
)


def made_by():
    return models.ForeignKey(
        blank=True,
        db_index=False,
        default=current_account.maker_id,
        editable=False,
        null=True,
        on_delete=models.SET_NULL,
        related_name="+",
        to=settings.AUTH_USER_MODEL,
    )


def with_makers(record):
    """Two columns that are empty in every row there is: nobody knows who made those, nor when."""
    yield migrations.AddField(record, "made_by", made_by())
    yield from (
        migrations.AddField(record, "made_at", models.DateTimeField(blank=True, editable=False, null=True)),
        # Only new rows have a moment of making. The default lives in the program, so the table stays as it is.
        migrations.SeparateDatabaseAndState(
            state_operations=[
                migrations.AlterField(
                    record,
                    "made_at",
                    models.DateTimeField(blank=True, default=timezone.now, editable=False, null=True),
                )
            ]
        ),
    )


class Migration(migrations.Migration):
    dependencies = [
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
        ("test_sessions", "0006_logger_files"),
    ]

    operations = [
        *(operation for record in RECORDS for operation in with_makers(record)),
        # A test card knows its moment already.
        migrations.AddField("testcard", "made_by", made_by()),
    ]
