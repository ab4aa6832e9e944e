"""Alarms as conditions of OPC 10000-9, and what people do to them: each method leaves a request for the daemon, which
does it through the desk of all alarms, under the name of the one who logged in, and answers.

    state of ISA-18.2               Active   Acked    Retain
    unacknowledged                  as its condition stands   false   true
    acknowledged                    as its condition stands   true    true
    returned-, latched-unacknowledged   -       false   true
    latched-acknowledged                -       true    true
    shelved, suppressed-by-design, out-of-service   as remembered; ShelvingState, SuppressedState, OutOfServiceState
    normal                          false   true    false
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
from asyncua.server.monitored_item_service import WhereClauseEvaluator

from monitor.alarms.catalogue import CATALOGUE
from monitor.alarms.plant_words import letters, status
from monitor.opcua.data import AlarmKey, Leave, Source, States
from monitor.opcua.guard import Users, asking
from monitor.opcua.space import Space

SEVERITY = {"high": 800, "medium": 500, "low": 200}     # of 1,000; alerts 100. Common practice, no source
OWED = frozenset({"unacknowledged", "returned-unacknowledged", "latched-unacknowledged"})
NEWEST = 200            # events that are looked at each time
KNOWN = 5_000           # events that can be acknowledged
ANSWER_S = 8.0          # how long a method waits for the daemon
LONGEST = 2_000
VIA = "opcua"
_Ids = ua.ObjectIds
_RAISED = ua.NodeId(_Ids.AlarmConditionType)


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
            _Ids.AlarmConditionType_RemoveFromService2: self._verb("out-of-service"),
            _Ids.AlarmConditionType_PlaceInService: self._verb("in-service"),
            _Ids.AlarmConditionType_PlaceInService2: self._verb("in-service"),
        }
        for prefix in ("AlarmConditionType_ShelvingState_", "ShelvedStateMachineType_"):
            for name in ("TimedShelve", "TimedShelve2"):
                methods[getattr(_Ids, prefix + name)] = self._shelve
            for name in ("Unshelve", "Unshelve2"):
                methods[getattr(_Ids, prefix + name)] = self._verb("unshelve")
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
        made = event_objects.AlarmCondition()
        made.add_property("NodeId", node, ua.VariantType.NodeId)    # the ConditionId
        source = self._space.nodes.get((skid, signal)) if signal else None
        if source is None:
            source = self._space.id(skid, "vessel", vessel) if vessel else self._space.skids[skid]
        detail = body.get("detail")
        made.EventId = ua.Variant(_event_id(key, body), ua.VariantType.ByteString)
        made.EventType, made.SourceNode, made.SourceName = _RAISED, source, signal or vessel or skid
        made.Time = made.ReceiveTime = datetime.fromtimestamp(int(body["since"]) / 1e9, UTC)
        made.Message = ua.LocalizedText(message or f"{_name(key)}: {state}")
        made.Severity = SEVERITY.get(str(body.get("priority")), 100)
        words = [kind, detail, letters(kind, detail), status(kind, detail)]
        made.ConditionName = " ".join(str(w) for w in words if w)
        made.ConditionClassId = ua.NodeId(_Ids.ProcessConditionClassType if status(kind, detail) != "failure"
                                          else _Ids.SystemConditionClassType)  # fmt: skip
        made.BranchId = ua.NodeId()
        made.Retain = state != "normal"
        made.ClientUserId = str(body.get("who") or "")
        made.Comment = ua.LocalizedText(str(body.get("why") or ""))
        made.Quality, made.LastSeverity = ua.StatusCode(), made.Severity
        made.SuppressedOrShelved = state in ("shelved", "suppressed-by-design", "out-of-service")
        _state(made, "EnabledState", True, "Enabled", "Disabled")
        _state(made, "ActiveState", bool(body.get("active")), "Active", "Inactive")
        _state(made, "AckedState", memory not in OWED, "Acknowledged", "Unacknowledged")
        _state(made, "SuppressedState", state == "suppressed-by-design", "Suppressed", "Unsuppressed")
        _state(made, "OutOfServiceState", state == "out-of-service", "Out of Service", "In Service")
        _state(made, "LatchedState", memory.startswith("latched"), "Latched", "Unlatched")
        shelved = state == "shelved"
        made.add_variable("ShelvingState/CurrentState", ua.LocalizedText("TimedShelved" if shelved else "Unshelved"),
                          ua.VariantType.LocalizedText)  # fmt: skip
        made.add_property("ShelvingState/CurrentState/Id", ua.NodeId(
            _Ids.ShelvedStateMachineType_TimedShelved if shelved else _Ids.ShelvedStateMachineType_Unshelved),
            ua.VariantType.NodeId)  # fmt: skip
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
            made = event_objects.BaseEvent(message=event.message, severity=100)
            made.EventId = ua.Variant(hashlib.sha256(event.id.encode()).digest()[:16], ua.VariantType.ByteString)
            made.Time = made.ReceiveTime = datetime.fromtimestamp(event.time / 1e9, UTC)
            made.SourceNode, made.SourceName = self._space.skids[event.skid], event.vessel or event.skid
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


class Where(WhereClauseEvaluator):
    """The library takes OfType for that very type; of a subtype it is true as well (OPC 10000-4, 7.7.3)."""

    def _eval_el(self, index: int, event: Any) -> Any:
        element = self.elements[index]
        if element.FilterOperator != ua.FilterOperator.OfType:
            return super()._eval_el(index, event)
        wanted, kind = self._eval_op(element.FilterOperands[0], event), event.EventType
        for _ in range(20):
            if kind == wanted:
                return True
            node = self._aspace._nodes.get(kind)
            above = [r.NodeId for r in (node.references if node else ())
                     if not r.IsForward and r.ReferenceTypeId == ua.NodeId(_Ids.HasSubtype)]  # fmt: skip
            if not above:
                return False
            kind = above[0]
        return False


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


def _state(made: Any, name: str, value: bool, yes: str, no: str) -> None:
    setattr(made, f"{name}/Id", value)
    setattr(made, name, ua.LocalizedText(yes if value else no))


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
