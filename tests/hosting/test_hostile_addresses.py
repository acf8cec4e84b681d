"""Addresses nobody should write: never a 500."""

import io
import uuid
from encodings.aliases import aliases

import pytest
from django.core.handlers.wsgi import WSGIHandler
from django.test import Client, RequestFactory

from buildlog.config.sub_path import UnderSubPath

NOBODYS = uuid.UUID(int=7)  # the tests carry the address in their name, so it must not change
ADDRESSES = [
    "/sessions/?page=-1",
    "/sessions/?page=0",
    "/sessions/?page=%00",
    "/sessions/?page=1e9",
    "/sessions/?page=٣",
    "/sessions/new/?revision=garbage",
    "/sessions/new/?revision=%00",
    f"/sessions/new/?revision={NOBODYS}",
    "/failures/?state=<script>",
    "/failures/new/?session=garbage&revision=%00",
    f"/failures/new/?session={NOBODYS}",
    "/compare/?vehicle=x&revision=y&revision=%00&surface=lava",
    f"/compare/?vehicle={NOBODYS}&revision={NOBODYS}",
    "/compare/?" + "&".join(f"revision={uuid.UUID(int=number)}" for number in range(200)),
    "/vehicles/{vehicle}/difference/?from=" + "9" * 400 + "&to=-1",
    "/vehicles/{vehicle}/difference/?from=%00&to=٣",
    "/revisions/{revision}/new-modification/?answers=garbage&answers=%00",
    "/parts/new/nonsense/",
    "/photos/new/vehicle/{vehicle}/",
    "/invitation/x/",
    "/api/v1/sessions/?limit=x&offset=-1&revision=%00",
    "/api/v1/sessions/?limit=" + "9" * 30,
    "/api/v1/photos/?offset=" + "9" * 30,
]


@pytest.mark.parametrize("address", ADDRESSES)
def test_it_answers(address, sign_in, session):
    filled = address.format(vehicle=session.revision.vehicle_id, revision=session.revision_id)
    assert sign_in("owner").get(filled).status_code in (200, 400, 404, 410)


@pytest.mark.parametrize(
    "path", ["/sessions/new/", "/failures/new/", "/vehicles/new/", "/parts/new/motor/", "/venues/new/", "/people/"]
)
@pytest.mark.parametrize("value", ["\x00", "9" * 5000, "<script>alert(1)</script>", "‮", "[]", "-" * 300])
def test_every_field_takes_anything_without_breaking(path, value, sign_in, session):
    client = sign_in("owner")
    form = client.get(path).context["form"]
    answer = client.post(path, dict.fromkeys(form.fields, value))
    assert answer.status_code in (302, 422)
    assert b"<script>alert(1)</script>" not in answer.content


@pytest.mark.parametrize("headers", [{"Origin": "http://["}, {"Referer": "http://[", "Sec-Fetch-Site": "same-origin"}])
def test_a_broken_origin_is_no_fault_of_ours(headers, db):
    stranger = Client(enforce_csrf_checks=True)
    assert stranger.get("/nothing/", headers=headers).status_code == 404
    assert stranger.post("/sign-in/", {"username": "x", "password": "x"}, headers=headers).status_code == 403


ENCODINGS = sorted({*aliases.values(), "idna", "punycode", "undefined", "none-such", "nul\x00", "x" * 900})


def answered(content_type, method="POST"):
    """The status of a request as the web server hands it over, from before the framework reads anything of it."""
    sentences = []
    body = b"a=%E4&b=\xe4"
    environ = RequestFactory().generic(method, "/sign-in/?next=%E4", body).environ
    environ |= {"wsgi.input": io.BytesIO(body), "CONTENT_TYPE": content_type}
    answer = UnderSubPath(WSGIHandler(), "")(environ, lambda status, *_: sentences.append(int(status[:3])))
    list(answer)
    getattr(answer, "close", lambda: None)()
    return sentences[0]


@pytest.mark.parametrize("charset", ENCODINGS)
def test_any_charset_is_read_or_refused(charset, db):
    for kind in ("text/plain", "application/x-www-form-urlencoded"):
        assert answered(f"{kind}; charset={charset}", "GET") in (200, 400)
        assert answered(f"{kind}; charset={charset}") in (200, 400, 403)


@pytest.mark.parametrize("charset", ["hex", "zlib", "rot13", "base64", "*=none-such'en'%41"])
def test_a_charset_by_which_no_text_is_written_is_refused(charset, db):
    assert answered(f"text/plain; charset{charset if charset[0] == '*' else '=' + charset}", "GET") == 400


@pytest.mark.parametrize("charset", ["utf-8", "iso-8859-1", "cp1252", "koi8-r", "none-such"])
def test_a_usual_charset_is_read(charset, db):
    assert answered(f"text/plain; charset={charset}", "GET") == 200


def test_a_file_name_in_no_charset_is_no_fault_of_ours(sign_in):
    head = "--b\r\nContent-Disposition: form-data; name=\"file\"; filename*=hex'en'%41.txt\r\n\r\nx\r\n--b--\r\n"
    answer = sign_in("owner").post("/venues/new/", head.encode(), content_type="multipart/form-data; boundary=b")
    assert answer.status_code in (200, 400, 422)


@pytest.mark.parametrize("opening", ["[", '{"a":'])
def test_json_of_any_depth_is_refused_in_a_sentence(opening, sign_in):
    answer = sign_in("owner").post("/api/v1/sessions/", opening * 200_000, content_type="application/json")
    assert (answer.status_code, list(answer.json())) == (400, ["detail"])
    assert "too deep" in answer.json()["detail"]
