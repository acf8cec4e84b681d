from django.db import migrations


class Migration(migrations.Migration):
    dependencies = [("buildlog", "0004_words_become_causes")]
    operations = [
        migrations.RemoveConstraint(model_name="failure", name="failure_confirmed_cause_is_written"),
        migrations.RemoveField(model_name="failure", name="cause_confirmed"),
        migrations.RemoveField(model_name="failure", name="cause"),
        migrations.RenameField(model_name="failure", old_name="found_cause", new_name="cause"),
    ]
