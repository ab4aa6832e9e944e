"""The OPC UA server beside a store, asked by the library's own client over loopback."""

from __future__ import annotations

import asyncio
import contextlib
import socket
from collections.abc import Awaitable, Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any

import pytest
from asyncua import Client, ua
from asyncua.common.events import Event, get_filter_from_event_type
from asyncua.crypto.security_policies import SecurityPolicyBasic256Sha256
from store.samples import START, event, skid

from monitor.model import NS, Quality, Transition
from monitor.opcua.guard import SESSIONS, TRIES
from monitor.opcua.history import MOST
from monitor.opcua.units import unit_of
from monitor.store import Batch
from tests.opcua.plant import LOOKER, OPERATOR, T0, Plant, serving


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Plant]:
    with serving(tmp_path_factory.mktemp("opcua")) as made:
        yield made


def with_client(plant: Plant, does: Callable[[Client], Awaitable[Any]], who: tuple[str, str] | None = OPERATOR, *,
                secure: bool = True, program: str = "client", desk: bool = False,
                log_in: bool = True, address: str = "127.0.0.1") -> Any:
    """log_in: otherwise an encrypted channel is all there is. address: of the client."""
    async def connected() -> Any:
        loop: Any = asyncio.get_running_loop()
        loop.create_connection = partial(loop.create_connection, local_addr=(address, 0))
        client = Client(plant.url, timeout=10)
        client.application_uri = "urn:test:client"
        if secure:
            await client.set_security(SecurityPolicyBasic256Sha256, str(plant.folder / f"{program}.pem"),
                                      str(plant.folder / f"{program}-key.pem"), server_certificate=str(
                                          plant.folder / "bagwright-opcua.pem"))
        if who is not None:
            client.set_user(who[0])
            client.set_password(who[1])
        if desk:
            await client.load_client_certificate(str(plant.folder / "desk.pem"))
            await client.load_private_key(str(plant.folder / "desk-key.pem"))
        if log_in:
            async with client:
                return await does(client)
        await client.connect_sessionless()
        try:
            return await does(client)
        finally:
            await client.disconnect_sessionless()

    async def whole() -> Any:
        try:
            return await connected()
        finally:
            await asyncio.sleep(0.01)       # what was closed is only then gone

    return asyncio.run(whole())


def test_signals_have_value_unit_range_and_status_as_the_engine_says(plant: Plant) -> None:
    async def does(client: Client) -> None:
        index = await client.get_namespace_index("urn:bagwright:skids")
        root = await client.nodes.objects.get_child(f"{index}:Skids")
        places = await root.get_children()
        assert [(await place.read_browse_name()).Name for place in places] == ["intake-1", "monitor"]
        inlet = client.get_node(ua.NodeId("intake-1/PT-101", index))
        assert await inlet.read_type_definition() == ua.NodeId(ua.ObjectIds.AnalogUnitRangeType)
        told = await inlet.read_data_value()
        stored = plant.store.latest("intake-1")
        assert told.Value.Value == stored["PT-101"][1] and told.StatusCode.is_good()
        assert told.SourceTimestamp == T0 + timedelta(seconds=3_599.5)
        unit = await (await inlet.get_child("0:EngineeringUnits")).read_value()
        assert (unit.UnitId, unit.DisplayName.Text) == (4342098, "bar")     # the example of OPC 10000-8, 5.6.3
        span = await (await inlet.get_child("0:EURange")).read_value()
        assert (span.Low, span.High) == (0.0, 10.0)
        outlet = client.get_node(ua.NodeId("intake-1/PT-102", index))
        told = await outlet.read_data_value(raise_on_bad_status=False)
        assert told.StatusCode.value == ua.StatusCodes.UncertainEngineeringUnitsExceeded
        drop = client.get_node(ua.NodeId("intake-1/computed/NormalisedPressureDrop", index))
        told = await drop.read_data_value(raise_on_bad_status=False)
        assert told.Value.Value == pytest.approx((0.9e5 + 58) / 1e5) and told.StatusCode.is_uncertain()
        foreseen = client.get_node(ua.NodeId("intake-1/computed/HoursToChangeoutP50", index))
        assert await foreseen.read_value() == 3.0

    with_client(plant, does)


def test_history_equals_the_store_reading_for_reading_over_continuation_points_both_ways(plant: Plant) -> None:
    stored = plant.store.rows("intake-1", START, START + 3_600 * NS, ["PT-101"])
    wanted = [(T0 + timedelta(microseconds=(t - START) // 1_000), v if q != Quality.BAD else None)
              for t, v, q in zip(stored.time.tolist(), stored.value.tolist(), stored.quality.tolist(), strict=True)]
    assert len(wanted) == 5_400 > MOST

    async def does(client: Client) -> None:
        node = client.get_node(ua.NodeId("intake-1/PT-101", await client.get_namespace_index("urn:bagwright:skids")))
        later = T0 + timedelta(hours=2)
        for start, end, expected in ((T0, later, wanted), (later, T0, wanted[::-1])):
            found = await node.read_raw_history(start, end, numvalues=0, return_bounds=False)
            bad = ua.StatusCodes.BadSensorFailure
            told = [(v.SourceTimestamp, None if v.StatusCode.value == bad else v.Value.Value) for v in found]
            assert told == expected
        part = await node.read_raw_history(T0 + timedelta(seconds=10), None, numvalues=5, return_bounds=False)
        assert [v.SourceTimestamp for v in part] == [w[0] for w in wanted[10:15]]
        few = ua.ReadRawModifiedDetails(False, T0, T0 + timedelta(seconds=29), NumValuesPerNode=7, ReturnBounds=False)
        parts = [await node.history_read(few)]
        while (point := parts[-1].ContinuationPoint) is not None:
            parts.append(await node.history_read(few, point))
        assert [len(p.HistoryData.DataValues) for p in parts] == [7, 7, 7, 7, 2]
        assert [v.SourceTimestamp for p in parts for v in p.HistoryData.DataValues] == [w[0] for w in wanted[:30]]
        drop = client.get_node(ua.NodeId("intake-1/computed/PressureDrop", node.nodeid.NamespaceIndex))
        minutes = await drop.read_raw_history(T0, T0 + timedelta(hours=1), return_bounds=False)
        assert [v.Value.Value for v in minutes] == pytest.approx([(1e5 + n) / 1e5 for n in range(59)])

    with_client(plant, does)


class Heard:
    def __init__(self) -> None:
        self.events: list[Any] = []

    def event_notification(self, event: Any) -> None:
        self.events.append(event)


def test_an_alarm_is_a_condition_and_is_acknowledged_shelved_and_noted_under_the_name_that_logged_in(
    plant: Plant
) -> None:
    async def waited(heard: Heard, state: Callable[[Any], bool]) -> Any:
        for _ in range(100):
            told = [e for e in reversed(heard.events) if getattr(e, "Retain", None) is not None]
            found = next(filter(state, told), None)
            if found is not None:
                return found
            await asyncio.sleep(0.1)
        raise AssertionError(heard.events)

    async def does(client: Client) -> None:
        heard = Heard()
        subscription = await client.create_subscription(300, heard)
        await subscription.subscribe_alarms_and_conditions(evtypes=ua.ObjectIds.AlarmConditionType)
        refresh = client.get_node(ua.ObjectIds.ConditionType)
        await refresh.call_method("0:ConditionRefresh", ua.Variant(subscription.subscription_id, ua.VariantType.UInt32))
        alarm = await waited(heard, lambda e: e.NodeId is not None)
        assert alarm.Message.Text == "dP nears the limit" and alarm.SourceName == "intake-1"
        assert alarm.ConditionName == "dp-limit PDAHH out-of-specification"
        assert (getattr(alarm, "ActiveState/Id"), getattr(alarm, "AckedState/Id")) == (True, False)
        assert alarm.Severity >= 500 and alarm.Retain
        condition = client.get_node(alarm.NodeId)
        comment = ua.Variant(ua.LocalizedText("walked by\udcff"), ua.VariantType.LocalizedText)

        async def acknowledged(number: bytes) -> None:
            await condition.call_method(ua.NodeId(ua.ObjectIds.AcknowledgeableConditionType_Acknowledge),
                                        ua.Variant(number, ua.VariantType.ByteString), comment)

        with pytest.raises(ua.uaerrors.BadEventIdUnknown):
            await acknowledged(b"no such event...")
        await acknowledged(alarm.EventId)
        now = await waited(heard, lambda e: getattr(e, "AckedState/Id") is True)
        assert now.ClientUserId == OPERATOR[0] and now.Comment.Text == "walked by\ufffd"
        with pytest.raises(ua.uaerrors.BadConditionBranchAlreadyAcked):
            await acknowledged(alarm.EventId)
        with pytest.raises(ua.uaerrors.BadShelvingTimeOutOfRange):
            await condition.call_method(ua.NodeId(ua.ObjectIds.ShelvedStateMachineType_TimedShelve),
                                        ua.Variant(1e11, ua.VariantType.Double))
        await condition.call_method(ua.NodeId(ua.ObjectIds.ShelvedStateMachineType_TimedShelve),
                                    ua.Variant(600_000.0, ua.VariantType.Double))
        shelved = await waited(heard, lambda e: e.SuppressedOrShelved)
        await condition.call_method(ua.NodeId(ua.ObjectIds.ShelvedStateMachineType_Unshelve))
        await waited(heard, lambda e: not e.SuppressedOrShelved and e.EventId != shelved.EventId)

    with_client(plant, does)
    told = [(e.step, e.who, e.via) for e in plant.store.journal(limit=20) if e.who]
    assert told[::-1][0] == ("ack", "Ada Brook", "opcua") and ("shelve", "Ada Brook", "opcua") in told
    assert "refused" in [step for step, _, _ in told]


def test_a_client_that_selects_what_no_event_has_gets_nothing_and_keeps_nobody_else_from_an_alarm(plant: Plant) -> None:
    """The names are attributes of the library's own objects."""
    async def does(client: Client) -> None:
        odd = ua.EventFilter()
        names = (["data_types"], ["to_event_fields"], ["__class__"], [], ["Message"])
        odd.SelectClauses = [ua.SimpleAttributeOperand(
            TypeDefinitionId=ua.NodeId(ua.ObjectIds.BaseEventType), BrowsePath=[ua.QualifiedName(n) for n in path],
            AttributeId=ua.AttributeIds.Value) for path in names]
        first, second = Heard(), Heard()
        hostile = await client.create_subscription(300, first)
        await hostile._subscribe(client.nodes.server, ua.AttributeIds.EventNotifier, odd)
        fair = await client.create_subscription(300, second)
        await fair.subscribe_alarms_and_conditions(evtypes=ua.ObjectIds.AlarmConditionType)
        raised = event(3_550, "surge", message="pressure leapt")
        batch = Batch(events=[raised])
        await asyncio.to_thread(lambda: (plant.keeper.fill(batch), plant.store.commit(batch)))
        for _ in range(100):
            if any(e.Message.Text == "pressure leapt" for e in second.events):
                break
            await asyncio.sleep(0.1)
        assert any(e.Message.Text == "pressure leapt" for e in second.events), second.events

    with_client(plant, does)


def test_the_history_of_events_is_the_stores_both_ways_in_pieces_and_filtered(plant: Plant) -> None:
    at = [3_100, 3_200, 3_200, 3_300, 3_400]
    made = [event(t, "changeout-done", vessel=v, detail="good", message=f"changed {n}", transition=Transition.NOTED)
            for n, (t, v) in enumerate(zip(at, ("east", "east", "west", "east", "west"), strict=True))]
    plant.store.commit(Batch(events=made))
    first, last = T0 + timedelta(seconds=2_999), T0 + timedelta(seconds=3_450)

    async def asked(client: Client, place: ua.NodeId, kind: int, count: int = 0, *, back: bool = False) -> list[str]:
        node = client.get_node(place)
        chosen = await get_filter_from_event_type([client.get_node(kind)])
        ends = (last, first) if back else (first, last)
        details = ua.ReadEventDetails(NumValuesPerNode=count, StartTime=ends[0], EndTime=ends[1], Filter=chosen)
        parts, point = [], None
        while point is not None or not parts:
            parts.append(await node.history_read(details, point))
            parts[-1].StatusCode.check()
            assert not count or len(parts[-1].HistoryData.Events) <= count
            point = parts[-1].ContinuationPoint
        found = [e.EventFields for p in parts for e in p.HistoryData.Events]
        told = [Event.from_event_fields(chosen.SelectClauses, fields) for fields in found]
        assert all(e.Time is not None and len(e.EventId) == 16 for e in told)
        return [e.Message.Text for e in told]

    async def does(client: Client) -> None:
        place = ua.NodeId("intake-1", await client.get_namespace_index("urn:bagwright:skids"))
        changed = [f"changed {n}" for n in range(5)]
        for where in (place, ua.NodeId(ua.ObjectIds.Server)):
            assert await asked(client, where, ua.ObjectIds.BaseEventType) == ["dP nears the limit", *changed]
            assert await asked(client, where, ua.ObjectIds.BaseEventType, 2) == ["dP nears the limit", *changed]
        assert await asked(client, place, ua.ObjectIds.BaseEventType, 2, back=True) == [
            *changed[::-1], "dP nears the limit"]
        assert await asked(client, place, ua.ObjectIds.AlarmConditionType, 1) == ["dP nears the limit"]
        signal = client.get_node(ua.NodeId("intake-1/PT-101", place.NamespaceIndex))
        none = await signal.history_read(ua.ReadEventDetails(StartTime=first, EndTime=last, Filter=ua.EventFilter()))
        assert none.StatusCode.value == ua.StatusCodes.BadHistoryOperationUnsupported
        never = datetime(1601, 1, 1, tzinfo=UTC)    # the protocol's zero: neither an end nor a number of events
        endless = ua.ReadEventDetails(StartTime=first, EndTime=never, Filter=ua.EventFilter())
        bad = await client.get_node(place).history_read(endless)
        assert bad.StatusCode.value == ua.StatusCodes.BadInvalidArgument

    with_client(plant, does)


@pytest.mark.parametrize(("method", "refusal"), [
    (ua.ObjectIds.AcknowledgeableConditionType_Confirm, ua.uaerrors.BadMethodInvalid),
    (ua.ObjectIds.AlarmConditionType_Silence, ua.uaerrors.BadMethodInvalid),
    (ua.ObjectIds.ShelvedStateMachineType_OneShotShelve, ua.uaerrors.BadNotSupported),
    (ua.ObjectIds.ConditionType_Enable, ua.uaerrors.BadConditionAlreadyEnabled),
    (ua.ObjectIds.ConditionType_Disable, ua.uaerrors.BadUserAccessDenied),
])
def test_methods_that_there_are_not_are_refused_as_the_standard_has_it(plant: Plant, method: int, refusal: Any) -> None:
    async def does(client: Client) -> None:
        index = await client.get_namespace_index("urn:bagwright:skids")
        with pytest.raises(refusal):
            await client.get_node(ua.NodeId("alarm/intake-1/dp-limit", index)).call_method(ua.NodeId(method))

    with_client(plant, does)


def test_a_changeout_is_told_as_an_event_of_its_skid(plant: Plant) -> None:
    async def does(client: Client) -> None:
        heard = Heard()
        place = ua.NodeId("intake-1", await client.get_namespace_index("urn:bagwright:skids"))
        subscription = await client.create_subscription(300, heard)
        await subscription.subscribe_events(place)
        done = event(3_500, "changeout-done", vessel="east", detail="good", message="east was changed",
                     transition=Transition.NOTED)
        await asyncio.to_thread(plant.store.commit, Batch(events=[done]))
        for _ in range(100):
            if any(e.Message.Text == "east was changed" and e.SourceName == "east" for e in heard.events):
                return
            await asyncio.sleep(0.1)
        raise AssertionError(heard.events)

    with_client(plant, does)


@pytest.mark.parametrize("who", [(OPERATOR[0], "wrong-Pass-7"), ("nobody", OPERATOR[1]), None])
def test_who_cannot_log_in_is_refused(plant: Plant, who: tuple[str, str] | None) -> None:
    with pytest.raises((ua.UaStatusCodeError, ua.UaError), match=r"(?i)access|token|denied|user"):
        with_client(plant, lambda client: asyncio.sleep(0), who)


def test_users_may_log_in_by_certificate_and_only_trusted_programs_come_in(plant: Plant) -> None:
    async def does(client: Client) -> None:
        index = await client.get_namespace_index("urn:bagwright:skids")
        with pytest.raises(ua.uaerrors.BadNodeIdUnknown):   # it may act, but there is nothing to unshelve
            await client.get_node(ua.NodeId("skids", index)).call_method(
                ua.NodeId(ua.ObjectIds.ShelvedStateMachineType_Unshelve))

    with_client(plant, does, None, desk=True)
    with pytest.raises(ua.UaStatusCodeError, match=r"(?i)certificate|trust"):
        with_client(plant, does, program="stranger")


def test_without_encryption_nothing_but_the_endpoints_is_told(plant: Plant) -> None:
    with pytest.raises(ua.UaStatusCodeError, match=r"(?i)security"):
        with_client(plant, lambda client: asyncio.sleep(0), secure=False)

    async def endpoints() -> Any:
        return await Client(plant.url, timeout=5).connect_and_get_server_endpoints()

    (offered,) = asyncio.run(endpoints())
    assert offered.SecurityPolicyUri.endswith("#Basic256Sha256")
    assert offered.SecurityMode == ua.MessageSecurityMode.SignAndEncrypt


def test_before_log_in_nothing_is_done_and_nobodys_place_is_taken(plant: Plant) -> None:
    async def does(client: Client) -> None:
        for _ in range(2):
            with pytest.raises(ua.UaStatusCodeError, match=r"(?i)session"):
                await client.nodes.server.read_browse_name()
            with contextlib.suppress(ua.uaerrors.BadTooManySessions):
                for _ in range(SESSIONS):
                    await client.create_session()

    with_client(plant, does, log_in=False)
    with_client(plant, lambda client: client.nodes.server.read_browse_name())


def test_ten_failed_log_ins_of_an_address_are_enough_for_a_minute(plant: Plant) -> None:
    def tried(password: str, address: str) -> None:
        with_client(plant, lambda client: client.nodes.server.read_browse_name(), (LOOKER[0], password),
                    address=address)

    for password in ["wrong-Pass-7"] * TRIES + [LOOKER[1]]:
        with pytest.raises((ua.UaStatusCodeError, ua.UaError), match=r"(?i)access|denied|user"):
            tried(password, "127.0.0.9")
    tried(LOOKER[1], "127.0.0.1")


def test_who_may_look_writes_and_acts_nothing(plant: Plant) -> None:
    async def does(client: Client) -> None:
        index = await client.get_namespace_index("urn:bagwright:skids")
        node = client.get_node(ua.NodeId("intake-1/PT-101", index))
        with pytest.raises(ua.uaerrors.BadUserAccessDenied):
            await node.write_value(9.9)
        with pytest.raises(ua.UaStatusCodeError):
            await client.nodes.objects.add_object(index, "mine")
        with pytest.raises(ua.uaerrors.BadUserAccessDenied):
            await client.get_node(ua.NodeId("alarm/intake-1/dp-limit", index)).call_method(
                ua.NodeId(ua.ObjectIds.ShelvedStateMachineType_Unshelve))
        with pytest.raises(ua.UaStatusCodeError):
            await client.get_node(ua.NodeId("intake-1/nothing", index)).read_value()
        assert await node.read_value() is not None

    with_client(plant, does, LOOKER)


def test_hostile_bytes_and_too_much_of_everything_end_that_client_only(plant: Plant) -> None:
    for garbage in (b"GET / HTTP/1.1\r\n\r\n", b"HELF\xff\xff\xff\x7f" + b"a" * 100, b"MSGF\x08\0\0\0", bytes(64),
                    b"HELF\x20\0\0\0" + b"\xff" * 24, b"OPNF\x40\0\0\0" + bytes(56)):
        with socket.create_connection(("127.0.0.1", plant.port), 5) as line:
            line.settimeout(3)
            with contextlib.suppress(OSError):
                line.sendall(garbage)
                line.recv(100)

    async def does(client: Client) -> None:
        with pytest.raises(ua.uaerrors.BadTooManySubscriptions):
            for _ in range(120):
                await client.create_subscription(60_000, Heard())
        node = ua.ReadValueId(NodeId=ua.NodeId(ua.ObjectIds.Server), AttributeId=ua.AttributeIds.BrowseName)
        with pytest.raises(ua.UaStatusCodeError, match=r"(?i)too many"):
            await client.uaclient.read(ua.ReadParameters(NodesToRead=[node] * 6_000))
        assert await client.nodes.server.read_browse_name()

    with_client(plant, does)
    with_client(plant, lambda client: client.nodes.server.read_browse_name())


def test_units_have_the_codes_of_recommendation_20() -> None:
    made = skid()
    told = {s.id: (unit_of(s).code, unit_of(s).number) for s in made.signals}
    assert told == {"PT-1": ("BAR", 0x424152), "PT-2": ("BAR", 0x424152), "FT-1": ("MQH", 0x4D5148)}
    odd = replace(made.signals[0], scale=3.0, unit="cubits")
    assert unit_of(odd).number == -1 and unit_of(odd).shown == "cubits"
