"""States, recurrences and disproofs are worked out; nothing stored can contradict them any more."""

from django.db import migrations

import buildlog.failures.models.modes



class Migration(migrations.Migration):
    dependencies = [("buildlog", "0019_states_become_facts")]

    operations = [
        migrations.AlterField(
            model_name="failuremode",
            name="key",
            field=buildlog.failures.models.modes.OneForm(
                editable=False, max_length=240, unique=True, verbose_name="name in the form in which names are compared"
            ),
        ),
        migrations.RemoveConstraint(model_name="failure", name="failure_state_is_known"),
        migrations.RemoveConstraint(model_name="failure", name="failure_does_not_recur_from_itself"),
        migrations.RemoveIndex(model_name="failure", name="failure_by_state_and_time"),
        migrations.RemoveField(model_name="failure", name="state"),
        migrations.RemoveField(model_name="failure", name="recurrence_of"),
        migrations.RemoveField(model_name="modification", name="disproved_by"),
    ]
