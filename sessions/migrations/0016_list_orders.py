from django.db import migrations, models


class Migration(migrations.Migration):
    """Lists are read in the order of an index: sessions by distance, logs by when they were stored."""

    dependencies = [("test_sessions", "0020_log_kinds")]

    operations = [
        migrations.AddIndex(
            model_name="session", index=models.Index(fields=["distance_m", "id"], name="session_by_distance")
        ),
        migrations.AddIndex(model_name="log", index=models.Index(fields=["stored_at", "id"], name="log_by_time_stored")),
    ]
