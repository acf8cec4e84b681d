"""Tables for a spreadsheet."""

import csv
import io
import math

import pytest

from buildlog.models import (
    Failure,
)
from buildlog.records.csv_tables import as_csv, cell
from sessions.models import (
    Pass,
    Session,
)


@pytest.mark.parametrize("name", ["sessions", "passes", "failures"])
def test_tables_are_whole(demo, sign_in, name):
    client = sign_in("reader")
    answer = client.get(f"/vehicles/{demo.pk}/tables/{name}.csv")
    rows = list(csv.DictReader(io.StringIO(answer.content.decode())))
    counted = {"sessions": Session.objects, "passes": Pass.objects.filter(valid=True), "failures": Failure.objects}
    assert len(rows) == counted[name].count()
    assert client.get(f"/vehicles/{demo.pk}/tables/secrets.csv").status_code == 404


def test_numbers_of_a_table_are_numbers(demo, sign_in):
    answer = sign_in("reader").get(f"/vehicles/{demo.pk}/tables/sessions.csv")
    row = next(csv.DictReader(io.StringIO(answer.content.decode())))
    session = Session.objects.get(pk=row["session"])
    assert float(row["air_temperature_c"]) == session.air_temperature_c < 0


def test_tables_have_the_digits_of_their_uncertainty_and_name_what_is_in_doubt(demo, sign_in):
    client = sign_in("reader")
    Session.objects.filter(pk=Session.objects.filter(runtime_s__gt=0).first().pk).update(runtime_s=17.0)
    for name, keys in (("sessions", ("energy_per_distance", "range", "mean_power")), ("passes", ("speed_mps",))):
        text = client.get(f"/vehicles/{demo.pk}/tables/{name}.csv").content.decode()
        for row in csv.DictReader(io.StringIO(text)):
            for key in keys:
                if not row[key]:
                    continue
                # JCGM 100:2008, 7.2.6: two digits of ±, and the value to their place.
                place = 10.0 ** (math.floor(math.log10(2 * float(row[f"u_{key}"]) * 1.03)) - 1)
                assert float(row[key]) / place == pytest.approx(round(float(row[key]) / place), abs=1e-6) or (
                    float(row[key]) / (10 * place) == pytest.approx(round(float(row[key]) / (10 * place)), abs=1e-6)
                )
                assert len(row[key]) <= 11
        if name == "sessions":
            assert "runtime_s" in "".join(row["in_doubt"] for row in csv.DictReader(io.StringIO(text)))
            assert max(len(row["runtime_s"]) for row in csv.DictReader(io.StringIO(text))) <= 7


@pytest.mark.parametrize("text", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", '=HYPERLINK("http://x")'])
def test_text_cannot_start_a_formula(text):
    """OWASP, CSV Injection: the characters that make a spreadsheet take a cell for a formula."""
    assert cell(text) == f"'{text}"


@pytest.mark.parametrize("value", [-12, -12.5, 0, 1e-9, 3])
def test_numbers_are_untouched(value):
    assert cell(value) == value


def test_a_table_is_rfc_4180():
    assert as_csv(["a", "b"], [["x, y", 'say "so"'], [None, float("nan")]]) == 'a,b\r\n"x, y","say ""so"""\r\n,\r\n'
