"""The address space: Objects/Skids, below it a skid with its signals, what is computed, its vessels and its alarms.

    ns=2;s=SKID                     name, and Vessels/NAME for each
    ns=2;s=SKID/SIGNAL              as the transmitter says it   } AnalogUnitRangeType or AnalogUnitType (OPC 10000-8)
    ns=2;s=SKID/computed/NAME       what the engine makes of it  } with EngineeringUnits and EURange
"""

from __future__ import annotations

from typing import Any

from asyncua import Server, ua

from monitor.alarms.catalogue import MONITOR
from monitor.opcua.units import NAMESPACE, Unit
from monitor.opcua.values import Place, Served, served
from monitor.skid import SkidSettings

URI = "urn:bagwright:skids"
_READ = 1 << ua.AccessLevel.CurrentRead.value
_HISTORY = 1 << ua.AccessLevel.HistoryRead.value
_NOTIFIES = 1 << ua.EventNotifier.SubscribeToEvents.value | 1 << ua.EventNotifier.HistoryRead.value
_BASE, _FOLDER = ua.NodeId(ua.ObjectIds.BaseObjectType), ua.NodeId(ua.ObjectIds.FolderType)
_PROPERTY = ua.NodeId(ua.ObjectIds.PropertyType)
_COMPONENT, _ORGANIZES, _HAS_PROPERTY, _NOTIFIER = (
    ua.NodeId(i) for i in (ua.ObjectIds.HasComponent, ua.ObjectIds.Organizes, ua.ObjectIds.HasProperty,
                           ua.ObjectIds.HasNotifier))  # fmt: skip


class Space:
    """Nodes of the skids. places: which node is which; history: those that have one."""

    def __init__(self, server: Server, index: int) -> None:
        self._server, self._index = server, index
        self.nodes: dict[Place, ua.NodeId] = {}
        self.history: dict[ua.NodeId, Place] = {}
        self.skids: dict[str, ua.NodeId] = {}

    def id(self, *parts: str) -> ua.NodeId:
        return ua.NodeId("/".join(parts), self._index)

    def build(self, skids: tuple[SkidSettings, ...]) -> None:
        root = self._object(ua.NodeId(ua.ObjectIds.ObjectsFolder), self.id("skids"), "Skids", _FOLDER, _ORGANIZES)
        for skid in skids:
            self._skid(root, skid)
        own = self.skids[MONITOR] = self._object(root, self.id(MONITOR), MONITOR, _BASE, _ORGANIZES,
                                                 "The monitor itself", notifies=True)  # fmt: skip
        self._object(own, self.id(MONITOR, "alarms"), "Alarms", _FOLDER, _COMPONENT)

    def _skid(self, root: ua.NodeId, skid: SkidSettings) -> None:
        place = self.skids[skid.id] = self._object(root, self.id(skid.id), skid.id, _BASE, _ORGANIZES, skid.name,
                                                   notifies=True)  # fmt: skip
        self._refer(ua.NodeId(ua.ObjectIds.Server), _NOTIFIER, place)
        computed = self._object(place, self.id(skid.id, "computed"), "Computed", _FOLDER, _COMPONENT)
        signals = self._object(place, self.id(skid.id, "signals"), "Signals", _FOLDER, _COMPONENT)
        vessels = self._object(place, self.id(skid.id, "vessels"), "Vessels", _FOLDER, _COMPONENT)
        self._object(place, self.id(skid.id, "alarms"), "Alarms", _FOLDER, _COMPONENT)
        own = {s.id for s in skid.signals}
        for variable in served(skid):
            is_signal = variable.name in own
            node = self.id(skid.id, variable.name) if is_signal else self.id(skid.id, "computed", variable.name)
            self._analog(signals if is_signal else computed, node, variable)
            self.nodes[skid.id, variable.name] = node
            if variable.history:
                self.history[node] = (skid.id, variable.name)
        for vessel in skid.vessels:
            node = self._object(vessels, self.id(skid.id, "vessel", vessel), vessel, _BASE, _COMPONENT)
            for s in skid.signals:
                if s.vessel == vessel:
                    self._refer(node, _ORGANIZES, self.nodes[skid.id, s.id])

    async def tell_of_the_past(self) -> None:
        """The server itself has a history of events, as its skids do."""
        await self._server.nodes.server.set_event_notifier(
            [ua.EventNotifier.SubscribeToEvents, ua.EventNotifier.HistoryRead])

    def alarm(self, skid: str, name: str) -> ua.NodeId:
        """The node of an alarm, and of its shelving; methods are called on them."""
        node = self.id("alarm", name)
        if node not in self._server.iserver.aspace:
            self._object(self.id(skid, "alarms"), node, name, ua.NodeId(ua.ObjectIds.AlarmConditionType), _COMPONENT)
            self._object(node, self.id("alarm", name, "shelving"), "ShelvingState",
                         ua.NodeId(ua.ObjectIds.ShelvedStateMachineType), _COMPONENT)  # fmt: skip
        return node

    def _analog(self, parent: ua.NodeId, node: ua.NodeId, told: Served) -> None:
        ranged = told.low is not None and told.high is not None
        kind = ua.NodeId(ua.ObjectIds.AnalogUnitRangeType if ranged else ua.ObjectIds.AnalogUnitType)
        access = _READ | (_HISTORY if told.history else 0)
        self._variable(parent, node, told.name, kind, _COMPONENT, ua.Variant(None, ua.VariantType.Null), access,
                       told.about, told.history)  # fmt: skip
        name = str(node.Identifier)
        self._variable(node, self.id(name, "EngineeringUnits"), "EngineeringUnits", _PROPERTY, _HAS_PROPERTY,
                       ua.Variant(_information(told.unit)))  # fmt: skip
        if ranged:
            self._variable(node, self.id(name, "EURange"), "EURange", _PROPERTY, _HAS_PROPERTY,
                           ua.Variant(ua.Range(Low=told.low, High=told.high)))  # fmt: skip

    def _object(self, parent: ua.NodeId, node: ua.NodeId, name: str, kind: ua.NodeId, by: ua.NodeId,
                shown: str | None = None, *, notifies: bool = False) -> ua.NodeId:  # fmt: skip
        about = ua.ObjectAttributes(DisplayName=ua.LocalizedText(shown or name), Description=ua.LocalizedText(""),
                                    EventNotifier=_NOTIFIES if notifies else 0)  # fmt: skip
        self._add(parent, node, name, kind, by, ua.NodeClass.Object, about)
        return node

    def _variable(self, parent: ua.NodeId, node: ua.NodeId, name: str, kind: ua.NodeId, by: ua.NodeId,
                  value: ua.Variant, access: int = _READ, about: str = "", history: bool = False) -> None:  # fmt: skip
        types = {ua.EUInformation: ua.ObjectIds.EUInformation, ua.Range: ua.ObjectIds.Range}
        attributes = ua.VariableAttributes(
            DisplayName=ua.LocalizedText(name), Description=ua.LocalizedText(about), Value=value,
            DataType=ua.NodeId(types.get(type(value.Value), ua.ObjectIds.Double)), ValueRank=ua.ValueRank.Scalar,
            AccessLevel=access, UserAccessLevel=access, Historizing=history,
        )  # fmt: skip
        self._add(parent, node, name, kind, by, ua.NodeClass.Variable, attributes)

    def _add(self, parent: ua.NodeId, node: ua.NodeId, name: str, kind: ua.NodeId, by: ua.NodeId,
             sort: ua.NodeClass, attributes: Any) -> None:  # fmt: skip
        item = ua.AddNodesItem(
            ParentNodeId=parent, ReferenceTypeId=by, RequestedNewNodeId=node, NodeClass=sort,
            BrowseName=ua.QualifiedName(name, 0 if kind == _PROPERTY else self._index), TypeDefinition=kind,
            NodeAttributes=attributes,
        )  # fmt: skip
        made = self._server.iserver.node_mgt_service.add_nodes([item], self._server.iserver.isession.user)
        made[0].StatusCode.check()

    def _refer(self, source: ua.NodeId, by: ua.NodeId, target: ua.NodeId) -> None:
        item = ua.AddReferencesItem(SourceNodeId=source, ReferenceTypeId=by, IsForward=True, TargetNodeId=target,
                                    TargetNodeClass=ua.NodeClass.Object)  # fmt: skip
        service = self._server.iserver.node_mgt_service
        for status in service.add_references([item], self._server.iserver.isession.user):
            status.check()


def _information(unit: Unit) -> ua.EUInformation:
    return ua.EUInformation(NamespaceUri=NAMESPACE, UnitId=unit.number, DisplayName=ua.LocalizedText(unit.shown),
                            Description=ua.LocalizedText(unit.shown))  # fmt: skip
