"""Records from which the state of a failure is worked out: what people sign, and what shows a fix beside riding."""

import uuid

import django.db.models.deletion
import django.utils.timezone
from django.conf import settings
from django.db import migrations, models

import buildlog.failures.models.modes
import buildlog.failures.models.verifications
import buildlog.people.current_account


def made_by():
    return models.ForeignKey(
        blank=True, db_index=False, default=buildlog.people.current_account.maker_id, editable=False, null=True,
        on_delete=django.db.models.deletion.SET_NULL, related_name="+", to=settings.AUTH_USER_MODEL,
    )  # fmt: skip


def made_at():
    return models.DateTimeField(blank=True, default=django.utils.timezone.now, editable=False, null=True)


class Migration(migrations.Migration):
    dependencies = [("buildlog", "0017_wiring")]

    operations = [
        migrations.AddField(
            model_name="failuremode",
            name="key",
            field=buildlog.failures.models.modes.OneForm(
                default="", editable=False, max_length=240, verbose_name="name in the form in which names are compared"
            ),
            preserve_default=False,
        ),
        migrations.CreateModel(
            name="ModeChange",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "kind",
                    models.CharField(choices=[("renamed", "Renamed"), ("joined", "Joined")], max_length=8),
                ),
                ("old_name", models.CharField(max_length=80)),
                ("old_key", models.CharField(db_index=True, max_length=240)),
                (
                    "old_mode",
                    models.UUIDField(blank=True, null=True, verbose_name="key of the mode that was joined"),
                ),
                ("failures", models.JSONField(default=list, verbose_name="keys of the failures that moved")),
                ("changed_at", models.DateTimeField(default=django.utils.timezone.now)),
                (
                    "account",
                    models.ForeignKey(
                        blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL,
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
                (
                    "mode",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="mode_changes",
                        to="buildlog.failuremode",
                    ),
                ),
            ],
            options={
                "ordering": ["-changed_at", "-pk"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("old_name", ""), _negated=True), name="mode_change_names_what_was"
                    )
                ],
            },
        ),
        migrations.CreateModel(
            name="Verification",
            fields=[
                ("made_at", made_at()),
                ("id", models.UUIDField(default=uuid.uuid4, primary_key=True, serialize=False)),
                (
                    "kind",
                    models.CharField(
                        choices=[
                            ("inspection", "Inspection"),
                            ("bench_test", "Test in steps: on the bench, or slow and with instruments"),
                            ("calculation", "Calculation"),
                        ],
                        max_length=12, verbose_name="how it was shown",
                    ),
                ),
                (
                    "done_on",
                    models.DateField(default=buildlog.failures.models.verifications.today, verbose_name="when"),
                ),
                ("done_by", models.CharField(max_length=80, verbose_name="who did it")),
                ("finding", models.TextField(max_length=2000, verbose_name="what was done, and what it showed")),
                ("made_by", made_by()),
                (
                    "modification",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="verifications",
                        to="buildlog.modification",
                    ),
                ),
                (
                    "photo",
                    models.ForeignKey(
                        blank=True, null=True, on_delete=django.db.models.deletion.SET_NULL,
                        related_name="verifications", to="buildlog.photo",
                    ),
                ),
            ],
            options={
                "ordering": ["modification_id", "done_on", "pk"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("finding", ""), _negated=True), name="verification_says_what",
                        violation_error_message="Say what was done and what it showed, for example: weld dye-tested, "
                        "no crack.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(("done_by", ""), _negated=True), name="verification_says_who",
                        violation_error_message="Say who did it.",
                    ),
                ],
            },
        ),
        migrations.CreateModel(
            name="SignOff",
            fields=[
                ("made_at", made_at()),
                ("id", models.UUIDField(default=uuid.uuid4, primary_key=True, serialize=False)),
                (
                    "kind",
                    models.CharField(
                        choices=[("held", "The fix has held"), ("closed_without_fix", "Closed without a fix")],
                        max_length=18,
                    ),
                ),
                ("why", models.CharField(max_length=500, verbose_name="why")),
                ("signed_by", models.CharField(blank=True, max_length=150, verbose_name="who signed")),
                ("signed_at", models.DateTimeField(default=django.utils.timezone.now, verbose_name="when")),
                (
                    "failures",
                    models.PositiveIntegerField(default=0, verbose_name="failures of the mode on record then"),
                ),
                ("fixes", models.PositiveIntegerField(default=1, verbose_name="fixes judged together then")),
                ("made_by", made_by()),
                (
                    "mode",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT, related_name="sign_offs",
                        to="buildlog.failuremode",
                    ),
                ),
                (
                    "modification",
                    models.ForeignKey(
                        blank=True, null=True, on_delete=django.db.models.deletion.CASCADE,
                        related_name="sign_offs", to="buildlog.modification",
                    ),
                ),
                (
                    "vehicle",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.CASCADE, related_name="sign_offs", to="buildlog.vehicle"
                    ),
                ),
            ],
            options={
                "ordering": ["vehicle_id", "signed_at", "pk"],
                "constraints": [
                    models.CheckConstraint(
                        condition=models.Q(("why", ""), _negated=True), name="sign_off_says_why",
                        violation_error_message="Say why, for example: ridden far enough without it.",
                    ),
                    models.CheckConstraint(
                        condition=models.Q(
                            models.Q(("kind", "held"), ("modification__isnull", False)),
                            models.Q(("kind", "closed_without_fix"), ("modification__isnull", True)),
                            _connector="OR",
                        ),
                        name="sign_off_names_the_fix_that_held",
                        violation_error_message="A fix that has held is named; what is closed without a fix has none.",
                    ),
                ],
            },
        ),
    ]  # fmt: skip
