from django.conf import settings
from django.db import migrations, models
from django.utils import timezone

from buildlog.people import current_account
from buildlog.quantities.joined_steps import StepsTogether

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


def with_makers(records):
    """Two columns that are empty in every row there is: nobody knows who made those, nor when."""
    without = models.DateTimeField(blank=True, editable=False, null=True)
    with_default = models.DateTimeField(blank=True, default=timezone.now, editable=False, null=True)
    return [
        StepsTogether([migrations.AddField(record, "made_by", made_by()) for record in records]),
        StepsTogether([migrations.AddField(record, "made_at", without.clone()) for record in records]),
        # Only new rows have a moment of making. The default lives in the program, so the tables stay as they are.
        StepsTogether(
            [migrations.AlterField(record, "made_at", with_default.clone()) for record in records], in_database=False
        ),
    ]


class Migration(migrations.Migration):
    dependencies = [
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
        ("test_sessions", "0006_logger_files"),
    ]

    operations = [
        *with_makers(RECORDS),
        # A test card knows its moment already.
        migrations.AddField("testcard", "made_by", made_by()),
    ]
