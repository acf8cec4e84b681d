from django.conf import settings
from django.db import migrations, models
from django.utils import timezone

from buildlog.people import current_account

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
        *(operation for record in RECORDS for operation in with_makers(record)),
        # Words only: what recorders may remove.
        migrations.AlterField("account", "role", role(default="reader")),
        migrations.AlterField("invitation", "role", role()),
    ]
