
import buildlog.people.current_account
import django.db.models.deletion
import django.utils.timezone
import uuid
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ('buildlog', '0020_no_stored_states'),
        ('test_sessions', '0016_list_orders'),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name='NotebookImport',
            fields=[
                ('made_at', models.DateTimeField(blank=True, default=django.utils.timezone.now, editable=False, null=True)),
                ('id', models.UUIDField(default=uuid.uuid4, primary_key=True, serialize=False)),
                ('name', models.CharField(max_length=120, verbose_name='name of the file')),
                ('cells', models.JSONField(default=list)),
                ('state', models.CharField(choices=[('waiting', 'not stored yet'), ('stored', 'stored'), ('undone', 'undone')], default='waiting', max_length=7)),
                ('made_keys', models.JSONField(blank=True, default=dict, verbose_name='fingerprints of what it made, by kind and key')),
                ('stored_at', models.DateTimeField(blank=True, null=True)),
                ('made_by', models.ForeignKey(blank=True, db_index=False, default=buildlog.people.current_account.maker_id, editable=False, null=True, on_delete=django.db.models.deletion.SET_NULL, related_name='+', to=settings.AUTH_USER_MODEL)),
                ('vehicle', models.ForeignKey(on_delete=django.db.models.deletion.CASCADE, related_name='notebook_imports', to='buildlog.vehicle')),
            ],
            options={
                'verbose_name': 'import of a notebook',
                'verbose_name_plural': 'imports of notebooks',
                'ordering': ['-made_at', '-id'],
                'constraints': [models.CheckConstraint(condition=models.Q(models.Q(('state', 'waiting'), ('stored_at__isnull', True)), models.Q(models.Q(('state', 'waiting'), _negated=True), ('stored_at__isnull', False)), _connector='OR'), name='notebook_import_that_is_stored_says_when', violation_error_message='An import that was stored has its time; one that waits has none.')],
            },
        ),
    ]
