from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ("test_sessions", "0014_release"),
    ]

    operations = [
        migrations.AlterField(
            model_name="log",
            name="kind",
            field=models.CharField(
                choices=[
                    ("gpx", "Satellite track (GPX)"),
                    ("fit", "Satellite track (FIT)"),
                    ("tcx", "Satellite track (TCX)"),
                    ("nmea", "Satellite receiver (NMEA 0183)"),
                    ("geojson", "Track (GeoJSON)"),
                    ("kml", "Track (KML)"),
                    ("csv", "Logger (CSV)"),
                    ("sheet", "Spreadsheet (XLSX, XLS or ODS)"),
                    ("jsonl", "Logger (JSON lines)"),
                    ("long", "Logger (long table: time, name, value)"),
                ],
                default="gpx",
                max_length=7,
            ),
        ),
    ]
