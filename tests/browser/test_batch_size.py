"""How many records a phone sends in one request, which follows from how long the server took."""

import pytest


@pytest.mark.parametrize(
    ("size", "sent", "took_s", "size_next"),
    [
        (50, 50, 0.2, 50),  # never more than 50
        (50, 50, 3.5, 10),  # as many as take 0.7 s
        (50, 50, 1.4, 25),
        (10, 10, 0.1, 15),  # and not at once many more
        (50, 50, 60, 10),  # a few in any case
        (50, 7, 0.14, 35),  # the last ones of a queue count by their own number
        (50, 50, None, 50),  # an earlier release does not say
        (30, 30, 0, 30),
    ],
)
def test_a_batch_is_as_large_as_the_server_is_fast(script, size, sent, took_s, size_next):
    assert (
        script("([size, sent, took_s]) => batch_size.nextSize(size, sent, took_s)", [size, sent, took_s]) == size_next
    )


def test_a_batch_is_small_where_the_server_is_busy_with_other_phones(script):
    assert script("() => [50, 20, 10].map(batch_size.sizeWhenBusy)") == [20, 20, 10]
