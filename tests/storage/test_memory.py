"""How much memory is free, as Linux says it, and files that would take more than that."""

import json
import tracemalloc

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from buildlog.storage import memory
from sessions.field import unsent_file


@pytest.fixture
def set_memory(tmp_path, monkeypatch):
    monkeypatch.setattr(memory, "MEMINFO", tmp_path / "meminfo")
    monkeypatch.setattr(memory, "CGROUP", tmp_path)

    def put(available_kb=None, most=None, current=None):
        if available_kb is not None:
            (tmp_path / "meminfo").write_text(f"MemTotal:  948000 kB\nMemAvailable:   {available_kb} kB\n")
        for name, value in (("max", most), ("current", current)):
            if value is not None:
                (tmp_path / f"memory.{name}").write_text(f"{value}\n")

    return put


def test_it_is_what_the_machine_or_the_container_has_left(set_memory):
    assert memory.available_bytes() is None
    set_memory(available_kb=500_000)
    assert memory.available_bytes() == 512_000_000
    set_memory(most="max", current=90)
    assert memory.available_bytes() == 512_000_000
    set_memory(most=300_000_000, current=100_000_000)
    assert memory.available_bytes() == 200_000_000
    set_memory(most=100, current=300)
    assert memory.available_bytes() == 0


def test_a_file_that_would_take_more_than_there_is_is_refused_before_it_is_read(set_memory):
    """ASVS 5.0, 5.2.1."""
    set_memory(available_kb=100)
    file = SimpleUploadedFile("unsent.json", b"{" * 40_000)
    with pytest.raises(unsent_file.NotAnUnsentFile, match="memory free, of which it would take"):
        unsent_file.parse(file)
    assert file.tell() == 0, "it was read"
    set_memory(available_kb=1000)
    with pytest.raises(unsent_file.NotAnUnsentFile, match="not a file the field page saved"):
        unsent_file.parse(SimpleUploadedFile("unsent.json", b"{" * 40_000))


def test_reading_takes_no_more_memory_than_is_asked_for():
    photos = [{"kind": "photos", "payload": {}, "image": "A" * 400_000} for _ in range(20)]
    content = json.dumps({"firnlog": "unsent", "format": 1, "records": photos}).encode()
    file = SimpleUploadedFile("unsent.json", content)
    tracemalloc.start()
    try:
        unsent_file.parse(file)
        _, most = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    print(f"{most / len(content):.2f} bytes of memory for a byte of the file")
    assert most < unsent_file.MEMORY_PER_BYTE * len(content)
