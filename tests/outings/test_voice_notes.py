"""Voice notes: sent, refused, played in ranges, and moved with their machine."""

import base64
import io
import json
import uuid

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test.client import BOUNDARY, MULTIPART_CONTENT, encode_multipart

from sessions.models import VoiceNote
from sessions.outings.voice_files import LARGEST_BYTES
from sessions.sharing.archive import export_machine, import_machine

# The first bytes of each: RFC 8794 (EBML), RFC 3533 (Ogg), ISO/IEC 14496-12 (ftyp).
SOUNDS = {
    "webm": bytes.fromhex("1a45dfa39f4286810142f7810142f2810442f381084282847765626d"),
    "ogg": b"OggS\x00\x02" + b"\x00" * 20,
    "mp4": b"\x00\x00\x00\x1cftypiso5" + b"\x00" * 16,
}


@pytest.fixture
def send(client, session, make_account):
    client.force_login(make_account("recorder"))

    def do(sound, key=None, **fields):
        row = {
            "session": str(session.pk),
            "time_into_session_s": "61.5 s",
            "duration_s": "8.2 s",
            "sound": sound,
            **fields,
        }
        body = encode_multipart(BOUNDARY, row)
        return client.put(f"/api/v1/voice-notes/{key or uuid.uuid4()}/", body, content_type=MULTIPART_CONTENT)

    return do


def as_file(content, name="note"):
    return SimpleUploadedFile(name, content)


@pytest.mark.parametrize("kind", SOUNDS)
def test_a_voice_note_is_stored_once_and_played_as_sound(send, client, kind, session):
    key = uuid.uuid4()
    assert [send(as_file(SOUNDS[kind]), key).status_code for _ in range(2)] == [201, 200]
    note = VoiceNote.objects.get()
    assert (note.pk, note.kind, note.duration_s, note.time_into_session_s) == (key, kind, 8.2, 61.5)
    played = client.get(f"/sessions/voice-notes/{key}/")
    assert b"".join(played.streaming_content) == SOUNDS[kind]
    assert played["Content-Type"] == f"audio/{kind}"
    assert "sandbox" in played["Content-Security-Policy"]
    page = client.get(session.get_absolute_url()).content.decode()
    assert f'<audio controls preload="none" src="/sessions/voice-notes/{key}/">' in page


@pytest.mark.parametrize(
    ("asked", "status", "content_range", "content"),
    [
        # RFC 9110, 14.1.2 and 14.4.
        ("bytes=0-3", 206, "bytes 0-3/26", b"OggS"),
        ("bytes=4-", 206, "bytes 4-25/26", b"\x00\x02" + b"\x00" * 20),
        ("bytes=-2", 206, "bytes 24-25/26", b"\x00\x00"),
        ("bytes=20-900", 206, "bytes 20-25/26", b"\x00" * 6),
        ("bytes=26-", 416, "bytes */26", b""),
    ],
)
def test_a_player_gets_the_range_that_it_asks_for(send, client, asked, status, content_range, content):
    key = uuid.uuid4()
    send(as_file(SOUNDS["ogg"]), key)
    answer = client.get(f"/sessions/voice-notes/{key}/", headers={"Range": asked})
    assert (answer.status_code, answer["Content-Range"], answer.content) == (status, content_range, content)


@pytest.mark.parametrize("asked", ["bytes=-", "bytes=a-b", "rows=0-3", "bytes=0-1,4-5"])
def test_what_is_no_single_range_gets_the_whole(send, client, asked):
    """RFC 9110, 14.2: a server may ignore the header."""
    key = uuid.uuid4()
    send(as_file(SOUNDS["ogg"]), key)
    answer = client.get(f"/sessions/voice-notes/{key}/", headers={"Range": asked})
    assert (answer.status_code, b"".join(answer.streaming_content)) == (200, SOUNDS["ogg"])


def test_what_is_no_sound_is_refused_in_words(send):
    answer = send(as_file(b"<script>alert(1)</script>"))
    assert answer.status_code == 400
    assert answer.json() == {"sound": ["This is no sound that a phone records: WebM, Ogg or MP4."]}
    large = send(as_file(SOUNDS["ogg"] + b"\x00" * LARGEST_BYTES))
    assert large.status_code == 400
    assert "at most 8 MB are accepted. Record a shorter one." in large.json()["sound"][0]
    assert not VoiceNote.objects.exists()


def test_only_its_caption_changes(send, client):
    key = uuid.uuid4()
    stored = send(as_file(SOUNDS["webm"]), key).json()
    change = {"caption": "Chain is loud", "duration_s": 1, "version": stored["version"]}
    answer = client.patch(f"/api/v1/voice-notes/{key}/", json.dumps(change), content_type="application/json")
    assert answer.status_code == 200
    note = VoiceNote.objects.get()
    assert (note.caption, note.duration_s) == ("Chain is loud", 8.2)


def test_its_file_goes_with_it(voice_note, django_capture_on_commit_callbacks):
    storage, name = voice_note.sound.storage, voice_note.sound.name
    with django_capture_on_commit_callbacks(execute=True):
        voice_note.session.delete()
    assert not storage.exists(name)


def test_it_moves_with_its_machine(voice_note):
    vehicle, content = voice_note.session.revision.vehicle, voice_note.sound.read()
    packed = io.BytesIO()
    export_machine(vehicle, packed)
    key = voice_note.pk
    vehicle.revisions.all().first().sessions.all().delete()
    import_machine(packed, len(packed.getvalue()))
    back = VoiceNote.objects.get()
    assert (back.pk, back.kind, back.sound.read()) == (key, "ogg", content)


def test_it_comes_in_a_file_of_what_a_phone_could_not_send(sign_in, session):
    payload = {"session": str(session.pk), "time_into_session_s": 61.5, "duration_s": 8.2, "caption": "", "sequence": 5}
    whole = {"id": str(uuid.uuid4()), "kind": "voice-notes", "action": "put", "words": "Voice note", "payload": payload}
    sound = base64.b64encode(SOUNDS["webm"]).decode()
    rows = [
        {**whole, "bytes": sound},
        {**whole, "bytes": sound},
        {**whole, "id": str(uuid.uuid4()), "bytes": "%%%"},
        {**whole, "id": str(uuid.uuid4()), "bytes": base64.b64encode(b"no sound").decode()},
    ]
    content = {"firnlog": "unsent", "format": 1, "saved_at": "2026-01-17T15:00:00Z", "account": {}, "records": rows}
    file = SimpleUploadedFile("unsent.json", json.dumps(content).encode(), "application/json")
    page = sign_in("recorder").post("/field/read-in/", {"file": file}).content.decode()
    note = VoiceNote.objects.get()
    assert (note.time_into_session_s, note.duration_s, note.sound.read()) == (61.5, 8.2, SOUNDS["webm"])
    assert "was damaged on the way" in page
    assert "This is no sound that a phone records" in page
