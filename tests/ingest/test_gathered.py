"""Many packets in one call of the socket, over a real pair of sockets; plain messages as paho's own decoder reads
them."""

from __future__ import annotations

import socket

import pytest
from hypothesis import given
from hypothesis import strategies as st
from paho.mqtt import _packet
from paho.mqtt.client import MQTTMessage
from paho.mqtt.enums import MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from monitor.ingest.gathered import PIECE, GatheredSocket, plain


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


@given(topic=st.text(st.characters(exclude_categories=["Cs"]), max_size=40), payload=st.binary(max_size=60),
       header=st.integers(0, 5), mid=st.integers(1, 65_535), expiry=st.none() | st.integers(0, 9))  # fmt: skip
def test_plain_messages_are_what_the_library_reads(topic, payload, header, mid, expiry):
    properties = Properties(PacketTypes.PUBLISH)
    if expiry is not None:
        properties.MessageExpiryInterval = expiry
    name, qos = topic.encode(), header >> 1
    number = mid.to_bytes(2, "big") if qos else b""
    packet = len(name).to_bytes(2, "big") + name + number + properties.pack() + payload
    found = plain(0x30 | header, bytearray(packet))
    known = _packet.decode_publish(0x30 | header, packet, MQTTProtocolVersion.MQTTv5)
    message = MQTTMessage(known.mid, known.topic)
    if not topic or expiry is not None or qos > 1:
        assert found is None
    else:
        assert found == (message.topic, bytes(known.payload), known.retain, known.mid, known.qos)


@given(st.integers(0, 255), st.binary(max_size=30))
def test_any_bytes_are_read_or_left_to_the_library(header, packet):
    found = plain(header, packet)
    assert found is None or len(found.topic.encode()) + len(found.payload) + 3 + 2 * found.qos == len(packet)


@pytest.mark.parametrize("packet", [b"\x00\x01\xff\x00\x01\x00x", b"\x00\x02ab\x00", b"\x00\x09ab\x00\x01\x00"])
def test_what_is_no_text_or_cut_short_is_left_to_the_library(packet):
    assert plain(0x32, packet) is None
