"""Events as OPC UA tells them: what both those that come and those of the past have."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable
from datetime import UTC, datetime
from typing import Any

from asyncua import ua
from asyncua.common import event_objects
from asyncua.server.monitored_item_service import WhereClauseEvaluator

from monitor.alarms.catalogue import CATALOGUE
from monitor.alarms.plant_words import letters, status
from monitor.model import Event, Transition
from monitor.opcua.space import Space

SEVERITY = {"high": 800, "medium": 500, "low": 200}     # of 1,000; alerts 100. Common practice, no source
OTHER = 100
CONDITION = ua.NodeId(ua.ObjectIds.AlarmConditionType)


class Chosen:
    """What a client selects of an event; null where it has none of it. The library looks for whatever attribute of the
    Python object is named, and what it cannot tell then keeps the event from the clients that come after."""

    data_types: dict[str, Any]

    def to_event_fields(self, select_clauses: Iterable[Any] | None) -> list[ua.Variant]:
        return [self._field(clause) for clause in select_clauses or ()]

    def _field(self, clause: Any) -> ua.Variant:
        path = [name.Name for name in clause.BrowsePath or ()]
        name = "/".join(path) if all(path) else ""
        if not path and clause.AttributeId == ua.AttributeIds.NodeId:
            name = "NodeId"     # the ConditionId
        value = getattr(self, name, None) if name in self.data_types else None
        return ua.Variant(None) if value is None else ua.Variant(value, self.data_types[name])


class Plain(Chosen, event_objects.BaseEvent):
    """What is no alarm."""


class Condition(Chosen, event_objects.AlarmCondition):
    """A state of an alarm."""


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
                     if not r.IsForward and r.ReferenceTypeId == ua.NodeId(ua.ObjectIds.HasSubtype)]  # fmt: skip
            if not above:
                return False
            kind = above[0]
        return False


def source_of(space: Space, skid: str, vessel: str | None, signal: str | None) -> tuple[ua.NodeId, str]:
    """What it is about: node and name."""
    node = space.nodes.get((skid, signal)) if signal else None
    if node is None:
        node = space.id(skid, "vessel", vessel) if vessel else space.skids[skid]
    return node, signal or vessel or skid


def condition_words(kind: str, detail: Any) -> str:
    """Kind, detail, ISA-5.1 letters and NE 107 status."""
    return " ".join(str(w) for w in (kind, detail, letters(kind, detail), status(kind, detail)) if w)


def set_state(made: Any, name: str, value: bool, yes: str, no: str) -> None:
    setattr(made, f"{name}/Id", value)
    setattr(made, name, ua.LocalizedText(yes if value else no))


def as_told(event: Event, space: Space) -> Any:
    """An event of the store: of an alarm what its condition was then, of anything else a plain event."""
    alarm = event.kind in CATALOGUE
    made: Any = Condition() if alarm else Plain()
    made.EventId = ua.Variant(hashlib.sha256(event.id.encode()).digest()[:16], ua.VariantType.ByteString)
    made.Time = made.ReceiveTime = datetime.fromtimestamp(event.time / 1e9, UTC)
    made.SourceNode, made.SourceName = source_of(space, event.skid, event.vessel, event.signal)
    made.Message, made.Severity = ua.LocalizedText(event.message), OTHER
    if alarm:
        made.EventType, made.Severity = CONDITION, SEVERITY.get(CATALOGUE[event.kind].priority, OTHER)
        made.ConditionName = condition_words(event.kind, event.detail)
        set_state(made, "ActiveState", event.transition is not Transition.CLEARED, "Active", "Inactive")
    return made
