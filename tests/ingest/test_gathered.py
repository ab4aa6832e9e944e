"""Many packets in one call of the socket, over a real pair of sockets; the same bytes as without."""

from __future__ import annotations

import socket

import pytest

from monitor.ingest.gathered import PIECE, GatheredSocket


@pytest.fixture
def pair():
    ours, theirs = socket.socketpair()
    ours.setblocking(False)
    with theirs:
        yield GatheredSocket(ours), theirs
    ours.close()


def drained(sock):
    sock.setblocking(False)
    found = b""
    while True:
        try:
            found += sock.recv(1 << 20)
        except BlockingIOError:
            return found


def test_packets_are_cut_from_one_read(pair):
    ours, theirs = pair
    theirs.sendall(b"abcdefghij")
    assert [ours.recv(1), ours.recv(4), ours.pending(), ours.recv(100)] == [b"a", b"bcde", 5, b"fghij"]
    with pytest.raises(BlockingIOError):
        ours.recv(1)
    theirs.close()
    assert ours.recv(1) == b""      # the other side has closed


def test_nothing_goes_out_before_it_is_flushed_and_then_in_order(pair):
    ours, theirs = pair
    assert [ours.send(b"one "), ours.send(b"two")] == [4, 3]
    assert ours.unsent and drained(theirs) == b""
    assert ours.flush() and not ours.unsent
    assert drained(theirs) == b"one two"


def test_a_socket_that_takes_nothing_stops_the_writer_and_loses_nothing(pair):
    ours, theirs = pair
    sent, block = b"", bytes(range(256)) * 16
    with pytest.raises(BlockingIOError):
        while len(sent) < 100 * PIECE:
            sent += block[: ours.send(block)]
    came = b""
    while not ours.flush():
        came += drained(theirs)
    assert came + drained(theirs) == sent


def test_closing_says_what_waits_first(pair):
    ours, theirs = pair
    ours.send(b"goodbye")
    ours.close()
    assert theirs.recv(100) == b"goodbye"


def test_a_connection_that_is_gone_is_told_by_reading_not_by_writing(pair):
    ours, theirs = pair
    theirs.sendall(b"why")
    theirs.close()
    ours.send(b"anything")
    assert ours.flush() and not ours.unsent
    assert [ours.recv(10), ours.recv(10)] == [b"why", b""]
