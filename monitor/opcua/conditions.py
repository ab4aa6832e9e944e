"""Alarms as conditions of OPC 10000-9, and what people do to them: each method leaves a request for the daemon, which
does it through the desk of all alarms, under the name of the one who logged in, and answers.

    state of ISA-18.2               Active   Acked    Retain
    unacknowledged                  as its condition stands   false   true
    acknowledged                    as its condition stands   true    true
    returned-, latched-unacknowledged   -       false   true
    latched-acknowledged                -       true    true
    shelved, suppressed-by-design, out-of-service   as remembered; ShelvingState, SuppressedState, OutOfServiceState
    normal                          false   true    false

There is no ConfirmedState and so no Confirm, which Part 9 (5.7) leaves to the server: ISA-18.2 knows no second word of
an operator, and one that nobody asks for elsewhere would keep alarms in view for ever. What latches is reset. Nor can a
client disable an alarm: the configuration does, or it goes out of service, with a name and a reason. Nor is there a
shelf for once (OneShotShelve): every shelf of the desk ends at a time that somebody chose, also where the alarm never
comes and nobody remembers.
"""

from __future__ import annotations

import asyncio
import hashlib
import json
from collections import OrderedDict
from collections.abc import Mapping
from datetime import UTC, datetime
from typing import Any

from asyncua import Server, ua
from asyncua.common import event_objects

from monitor.alarms.catalogue import CATALOGUE
from monitor.alarms.plant_words import status
from monitor.opcua.data import AlarmKey, Leave, Source, States
from monitor.opcua.guard import Users, asking
from monitor.opcua.space import Space
from monitor.opcua.told import CONDITION, OTHER, SEVERITY, Condition, as_told, condition_words, set_state, source_of

OWED = frozenset({"unacknowledged", "returned-unacknowledged", "latched-unacknowledged"})
NEWEST = 200            # events that are looked at each time
KNOWN = 5_000           # events that can be acknowledged
ANSWER_S = 8.0          # how long a method waits for the daemon
LONGEST = 2_000
VIA = "opcua"
_Ids = ua.ObjectIds
_Codes = ua.StatusCodes
# Methods of the standard types that there are not here, and how they are answered. Part 4, 5.11.2: BadMethodInvalid is
# a method that the object does not have.
REFUSED = {
    _Ids.AcknowledgeableConditionType_Confirm: _Codes.BadMethodInvalid,
    _Ids.ConditionType_Enable: _Codes.BadConditionAlreadyEnabled,
    _Ids.ConditionType_Disable: _Codes.BadUserAccessDenied,
    _Ids.ShelvedStateMachineType_OneShotShelve: _Codes.BadNotSupported,
    _Ids.ShelvedStateMachineType_OneShotShelve2: _Codes.BadNotSupported,
    _Ids.AlarmConditionType_ShelvingState_OneShotShelve: _Codes.BadNotSupported,
    _Ids.AlarmConditionType_ShelvingState_OneShotShelve2: _Codes.BadNotSupported,
    _Ids.AlarmConditionType_Silence: _Codes.BadMethodInvalid,
    _Ids.AlarmConditionType_Suppress: _Codes.BadMethodInvalid,
    _Ids.AlarmConditionType_Suppress2: _Codes.BadMethodInvalid,
    _Ids.AlarmConditionType_Unsuppress: _Codes.BadMethodInvalid,
    _Ids.AlarmConditionType_Unsuppress2: _Codes.BadMethodInvalid,
}  # fmt: skip


class Conditions:
    """What stands, as events; and the methods."""

    def __init__(self, server: Server, space: Space, source: Source, leave: Leave, users: Users) -> None:
        self._server, self._space, self._source, self._leave, self._users = server, space, source, leave, users
        self._told: dict[AlarmKey, Mapping[str, Any]] = {}
        self._retained: dict[AlarmKey, event_objects.AlarmCondition] = {}
        self._events: OrderedDict[bytes, str] = OrderedDict()       # EventId -> alarm
        self._nodes: dict[ua.NodeId, str] = {}
        self._seen: set[str] = set()

    def bind(self) -> None:
        """Makes the methods of the standard types ours."""
        methods = {
            _Ids.AcknowledgeableConditionType_Acknowledge: self._acknowledge,
            _Ids.ConditionType_AddComment: self._comment,
            _Ids.ConditionType_ConditionRefresh: self._refresh,
            _Ids.ConditionType_ConditionRefresh2: self._refresh,
            _Ids.AlarmConditionType_Reset: self._verb("reset"), _Ids.AlarmConditionType_Reset2: self._verb("reset"),
            _Ids.AlarmConditionType_RemoveFromService: self._verb("out-of-service"),
            _Ids.AlarmConditionType_RemoveFromService2: self._verb("out-of-service"),
            _Ids.AlarmConditionType_PlaceInService: self._verb("in-service"),
            _Ids.AlarmConditionType_PlaceInService2: self._verb("in-service"),
        }
        for prefix in ("AlarmConditionType_ShelvingState_", "ShelvedStateMachineType_"):
            for name in ("TimedShelve", "TimedShelve2"):
                methods[getattr(_Ids, prefix + name)] = self._shelve
            for name in ("Unshelve", "Unshelve2"):
                methods[getattr(_Ids, prefix + name)] = self._verb("unshelve")
        methods |= {number: _refuse(code) for number, code in REFUSED.items()}
        for number, method in methods.items():
            if ua.NodeId(number) in self._server.iserver.aspace:
                self._server.iserver.isession.add_method_callback(ua.NodeId(number), method)

    async def look(self, states: States) -> None:
        """Tells what has changed since the last look."""
        for key, body in states.items():
            if key[0] in self._space.skids and self._told.get(key) != body:
                known = self._told.get(key)
                self._told[key] = body
                if known is not None or body["state"] != "normal":
                    await self._tell(key, body)
        for key in [k for k in self._told if k not in states]:
            del self._told[key]
            self._retained.pop(key, None)

    async def _tell(self, key: AlarmKey, body: Mapping[str, Any]) -> None:
        event = await asyncio.to_thread(self._source.event, str(body["event"])) if body.get("event") else None
        name = _name(key)
        node = self._space.alarm(key[0], name)
        condition = self._condition(key, body, node, "" if event is None else event.message)
        self._nodes[node] = self._nodes[self._space.id("alarm", name, "shelving")] = name
        self._events[condition.EventId.Value] = name
        while len(self._events) > KNOWN:
            self._events.popitem(last=False)
        if condition.Retain:
            self._retained[key] = condition
        else:
            self._retained.pop(key, None)
        for place in (ua.NodeId(_Ids.Server), self._space.skids[key[0]]):
            condition.emitting_node = place
            await self._server.iserver.subscription_service.trigger_event(condition)

    def _condition(self, key: AlarmKey, body: Mapping[str, Any], node: ua.NodeId, message: str) -> Any:
        skid, kind, vessel, signal = key
        state, memory = str(body["state"]), str(body.get("memory", body["state"]))
        made = Condition()
        made.add_property("NodeId", node, ua.VariantType.NodeId)    # the ConditionId
        detail = body.get("detail")
        made.EventId = ua.Variant(_event_id(key, body), ua.VariantType.ByteString)
        made.EventType = CONDITION
        made.SourceNode, made.SourceName = source_of(self._space, skid, vessel, signal)
        made.Time = made.ReceiveTime = datetime.fromtimestamp(int(body["since"]) / 1e9, UTC)
        made.Message = ua.LocalizedText(message or f"{_name(key)}: {state}")
        made.Severity = SEVERITY.get(str(body.get("priority")), OTHER)
        made.ConditionName = condition_words(kind, detail)
        made.ConditionClassId = ua.NodeId(_Ids.ProcessConditionClassType if status(kind, detail) != "failure"
                                          else _Ids.SystemConditionClassType)  # fmt: skip
        made.BranchId = ua.NodeId()
        made.Retain = state != "normal"
        made.ClientUserId = str(body.get("who") or "")
        made.Comment = ua.LocalizedText(str(body.get("why") or ""))
        made.Quality, made.LastSeverity = ua.StatusCode(), made.Severity
        made.SuppressedOrShelved = state in ("shelved", "suppressed-by-design", "out-of-service")
        set_state(made, "EnabledState", True, "Enabled", "Disabled")
        set_state(made, "ActiveState", bool(body.get("active")), "Active", "Inactive")
        set_state(made, "AckedState", memory not in OWED, "Acknowledged", "Unacknowledged")
        set_state(made, "SuppressedState", state == "suppressed-by-design", "Suppressed", "Unsuppressed")
        set_state(made, "OutOfServiceState", state == "out-of-service", "Out of Service", "In Service")
        set_state(made, "LatchedState", memory.startswith("latched"), "Latched", "Unlatched")
        shelved = state == "shelved"
        made.add_variable("ShelvingState/CurrentState", ua.LocalizedText("TimedShelved" if shelved else "Unshelved"),
                          ua.VariantType.LocalizedText)  # fmt: skip
        made.add_property("ShelvingState/CurrentState/Id", ua.NodeId(
            _Ids.ShelvedStateMachineType_TimedShelved if shelved else _Ids.ShelvedStateMachineType_Unshelved),
            ua.VariantType.NodeId)  # fmt: skip
        if shelved and body.get("until"):
            made.add_property("ShelvingState/UnshelveTime", (int(body["until"]) - int(body["since"])) / 1e6,
                              ua.VariantType.Double)  # fmt: skip
        for name in ("EventId", "EventType", "SourceNode", "SourceName", "Time", "ReceiveTime", "Message", "Severity"):
            made.data_types.setdefault(name, ua.VariantType.Null)
        return made

    async def look_events(self) -> None:
        """Tells events that are no alarms, such as a changeout, as they come."""
        found = await asyncio.to_thread(self._source.events, limit=NEWEST)
        fresh = [e for e in reversed(found) if e.id not in self._seen and e.kind not in CATALOGUE]
        first, self._seen = not self._seen, {e.id for e in found} | {""}
        for event in () if first else fresh:
            if event.skid not in self._space.skids:
                continue
            made = as_told(event, self._space)
            for place in (ua.NodeId(_Ids.Server), self._space.skids[event.skid]):
                made.emitting_node = place
                await self._server.iserver.subscription_service.trigger_event(made)

    # ---- methods

    async def _acknowledge(self, condition: ua.NodeId, event: Any = None, comment: Any = None) -> ua.StatusCode:
        named = self._named(condition, event)
        return named if isinstance(named, ua.StatusCode) else await self._ask("ack", named, _text(comment))

    async def _comment(self, condition: ua.NodeId, event: Any = None, comment: Any = None) -> ua.StatusCode:
        named = self._named(condition, event)
        if isinstance(named, ua.StatusCode):
            return named
        return await self._ask("journal", named, _text(comment))

    async def _shelve(self, condition: ua.NodeId, length: Any = None, comment: Any = None) -> ua.StatusCode:
        name, ms = self._nodes.get(condition), getattr(length, "Value", None)
        if name is None:
            return ua.StatusCode(ua.StatusCodes.BadNodeIdUnknown)
        if not isinstance(ms, int | float) or not 0 < ms < 1e12:
            return ua.StatusCode(ua.StatusCodes.BadShelvingTimeOutOfRange)
        return await self._ask("shelve", name, _text(comment) or "shelved by an OPC UA client", for_s=ms / 1e3)

    def _verb(self, verb: str) -> Any:
        async def method(condition: ua.NodeId, comment: Any = None) -> ua.StatusCode:
            name = self._nodes.get(condition)
            if name is None:
                return ua.StatusCode(ua.StatusCodes.BadNodeIdUnknown)
            return await self._ask(verb, name, _text(comment) or f"{verb} by an OPC UA client")

        return method

    def _named(self, condition: ua.NodeId, event: Any) -> str | ua.StatusCode:
        """The alarm of a condition, where the event is one of its."""
        name, number = self._nodes.get(condition), getattr(event, "Value", None)
        if name is None:
            return ua.StatusCode(ua.StatusCodes.BadNodeIdUnknown)
        if not isinstance(number, bytes) or self._events.get(number) != name:
            return ua.StatusCode(ua.StatusCodes.BadEventIdUnknown)
        return name

    async def _ask(self, verb: str, target: str, why: str, **more: Any) -> ua.StatusCode:
        """Leaves it for the daemon and waits for its answer."""
        user = asking.get()
        if not self._users.may_act(user):
            return ua.StatusCode(ua.StatusCodes.BadUserAccessDenied)
        assert user is not None
        body = {"who": user.name, "target": target, "why": why[:LONGEST], "via": VIA, **more}
        number = await asyncio.to_thread(self._leave, None, verb, body)
        for _ in range(round(ANSWER_S / 0.1)):
            await asyncio.sleep(0.1)
            asked = await asyncio.to_thread(self._source.request, number)
            if asked is not None and asked.answer is not None:
                return ua.StatusCode(_judged(verb, asked.answer))
        return ua.StatusCode(ua.StatusCodes.BadTimeout)     # it stays asked; the daemon does it when it runs

    async def _refresh(self, _: ua.NodeId, subscription: Any = None, item: Any = None) -> ua.StatusCode:
        """Everything that is retained, to one subscription, between the events that say so."""
        service = self._server.iserver.subscription_service
        number, one = getattr(subscription, "Value", None), getattr(item, "Value", None)
        found = service.subscriptions.get(number) if isinstance(number, int) else None
        if found is None:
            return ua.StatusCode(ua.StatusCodes.BadSubscriptionIdInvalid)
        items = found.monitored_item_srv
        for kind, conditions in ((event_objects.RefreshStartEvent, ()), (None, tuple(self._retained.values())),
                                 (event_objects.RefreshEndEvent, ())):  # fmt: skip
            told = [kind(message="")] if kind is not None else list(conditions)
            for event in told:
                if kind is not None:
                    event.EventId = ua.Variant(f"{id(found)} {kind.__name__}".encode(), ua.VariantType.ByteString)
                    event.Time = event.ReceiveTime = datetime.now(UTC)
                    event.SourceNode, event.SourceName = ua.NodeId(_Ids.Server), "Server"
                for place in (ua.NodeId(_Ids.Server), *self._space.skids.values()):
                    if place in items._monitored_events and (kind is not None or _of(event, place, self._space)):
                        event.emitting_node = place
                        await items.trigger_event(event, one)
        return ua.StatusCode()


def _refuse(code: int) -> Any:
    async def method(condition: ua.NodeId, *_: Any) -> ua.StatusCode:
        del condition
        return ua.StatusCode(code)

    return method


def _of(event: Any, place: ua.NodeId, space: Space) -> bool:
    """Whether an event belongs to what a place tells of: the server of all, a skid of its own."""
    return place == ua.NodeId(_Ids.Server) or str(event.NodeId.Identifier).startswith(f"alarm/{place.Identifier}/")


def _judged(verb: str, answer: str) -> int:
    if not answer.startswith("refused:"):
        return int(ua.StatusCodes.Good)
    if verb == "ack":
        return int(ua.StatusCodes.BadConditionBranchAlreadyAcked)
    if verb == "shelve":
        return int(ua.StatusCodes.BadShelvingTimeOutOfRange if "shelf of" in answer
                   else ua.StatusCodes.BadConditionAlreadyShelved)  # fmt: skip
    return int(ua.StatusCodes.BadConditionNotShelved if verb == "unshelve" else ua.StatusCodes.BadInvalidState)


def _name(key: AlarmKey) -> str:
    skid, kind, vessel, signal = key
    where = signal or vessel
    return f"{skid}/{kind}/{where}" if where else f"{skid}/{kind}"


def _event_id(key: AlarmKey, body: Mapping[str, Any]) -> bytes:
    """The same state of the same alarm has the same id, also after a restart."""
    return hashlib.sha256(json.dumps([key, body], sort_keys=True).encode()).digest()[:16]


def _text(comment: Any) -> str:
    value = getattr(comment, "Value", None)
    return str(getattr(value, "Text", None) or "")
