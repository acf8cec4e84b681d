"""Whose address is believed. How proxies write X-Forwarded-For is common practice; RFC 7239, section 8.1,
says why only the part that trusted proxies added can be believed."""

import pytest

from buildlog.hosting.environment import networks
from buildlog.people.client_address import client_address, comes_from_trusted_proxy


@pytest.mark.parametrize(
    ("trusted", "peer", "forwarded", "client"),
    [
        ("none", "203.0.113.7", "", "203.0.113.7"),
        ("none", "127.0.0.1", "198.51.100.1", "127.0.0.1"),  # nobody is trusted: the header is nobody's word
        ("127.0.0.0/8", "203.0.113.7", "198.51.100.1", "203.0.113.7"),  # a client that writes the header itself
        ("127.0.0.0/8", "127.0.0.1", "198.51.100.1", "198.51.100.1"),
        ("127.0.0.0/8", "127.0.0.1", "10.9.9.9, 198.51.100.1", "198.51.100.1"),  # the first was the client's own
        ("127.0.0.0/8,10.0.0.0/8", "127.0.0.1", "6.6.6.6, 198.51.100.1, 10.1.2.3", "198.51.100.1"),
        ("127.0.0.0/8,10.0.0.0/8", "127.0.0.1", "10.9.9.9, 10.1.2.3", "10.9.9.9"),
        ("127.0.0.0/8", "127.0.0.1", "", "127.0.0.1"),
        ("127.0.0.0/8", "127.0.0.1", "<script>", "127.0.0.1"),
        ("127.0.0.0/8", "127.0.0.1", "198.51.100.1, unknown", "127.0.0.1"),
        ("127.0.0.0/8", "127.0.0.1", "198.51.100.1:4711", "127.0.0.1"),
        ("127.0.0.0/8", "127.0.0.1", "2001:DB8:0::1", "2001:db8::1"),
        ("127.0.0.0/8", "::ffff:127.0.0.1", "198.51.100.1", "198.51.100.1"),
        ("::ffff:127.0.0.1", "127.0.0.1", "198.51.100.1", "198.51.100.1"),
        ("::ffff:10.0.0.0/104", "10.1.2.3", "198.51.100.1", "198.51.100.1"),
        ("::ffff:10.0.0.0/104", "11.1.2.3", "198.51.100.1", "11.1.2.3"),
        ("::1", "::1", "198.51.100.1", "198.51.100.1"),
        ("127.0.0.0/8", "", "198.51.100.1", "198.51.100.1"),  # a local socket has no address
        ("none", "", "198.51.100.1", ""),
    ],
)
def test_the_address_of_the_client(rf, settings, trusted, peer, forwarded, client):
    settings.TRUSTED_PROXIES = networks(trusted)
    request = rf.get("/", REMOTE_ADDR=peer, HTTP_X_FORWARDED_FOR=forwarded)
    assert client_address(request) == client


def test_without_a_base_url_nobody_is_trusted(rf):
    assert not comes_from_trusted_proxy(rf.get("/"))
