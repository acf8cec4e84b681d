from django.conf import settings
from django.db import migrations, models
from django.utils import timezone

from buildlog.people import current_account
from buildlog.quantities.joined_steps import StepsTogether

RECORDS = (
    "cause",
    "evidence",
    "failure",
    "failuremode",
    "fitting",
    "modification",
    "part",
    "photo",
    "revision",
    "vehicle",
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


def role(**default):
    return models.CharField(
        choices=[
            ("owner", "Owner: everything, and who else may come in"),
            ("builder", "Builder: records builds, sessions and failures"),
            (
                "recorder",
                "Recorder: records sessions and failures, removes their own of the last day, changes no build",
            ),
            ("reader", "Reader: reads"),
        ],
        max_length=10,
        **default,
    )


class Migration(migrations.Migration):
    dependencies = [("buildlog", "0009_invitations_have_a_maker")]

    operations = [
        *with_makers(RECORDS),
        # Words only: what recorders may remove.
        migrations.AlterField("account", "role", role(default="reader")),
        migrations.AlterField("invitation", "role", role()),
    ]
