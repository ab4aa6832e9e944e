"""Has a Ray cluster run the shards: begins what is missing, and moves whole shards where nodes came or went.

Ray itself begins again what died. This only decides where; stopped or killed, the shards go on without it.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from monitor.cluster import cause_of
from monitor.compiled import sources_digest
from monitor.fleet.actor import LEAVE_S, NAMESPACE, PARTS, About, Shard, name_of
from monitor.fleet.shards import digest, occupied, settings_of
from monitor.settings import Settings

ANSWER_S = 5.0
CPUS = 0.001        # of a shard, to Ray: what asks for nothing is put anywhere, whatever node is named
UNEVEN = 3      # looks in a row that find nodes unevenly laden before a shard moves
PATIENCE = 60   # looks for which a move waits while a shard has not caught up: it would be away as long once more


class Keeping:
    """ray: the module, joined. say: where sentences for a person go."""

    def __init__(self, ray: Any, settings: Settings, url: str, say: Callable[[str], None]) -> None:
        self._ray, self._url, self._say = ray, url, say
        self._shards = {shard: settings_of(settings, shard) for shard in occupied(settings)}
        self._digests = {shard: digest(own) for shard, own in self._shards.items()}
        self._all = range(settings.fleet.shards)
        self._faults: dict[int, str] = {}
        self._uneven = self._behind = 0

    def step(self) -> None:
        """One look at everything, and what follows from it."""
        actors = {shard: self._actor(shard) for shard in self._all}
        known = self._asked({shard: actor for shard, actor in actors.items() if actor is not None})
        loads = self._loads(known)
        for shard in self._all:
            if shard in self._shards and actors[shard] is None and loads:
                node = min(loads, key=lambda n: loads[n])
                loads[node] += 1
                self._begin(shard, node)
        for shard, told in known.items():
            if told is not None and told.settings != self._digests.get(shard):
                why = "other settings" if shard in self._shards else "it has no skids any more"
                self._end(shard, actors[shard], why)
                return
        if all(actors[s] is not None and known.get(s) is not None for s in self._shards):
            self._behind = 0 if all(told.caught_up for told in known.values() if told is not None) else self._behind + 1
            if not 0 < self._behind < PATIENCE:
                self._balance(known, actors, loads)

    def stop(self) -> None:
        """Every shard says goodbye and ends."""
        actors = {shard: self._actor(shard) for shard in self._all}
        leaving = [actor.leave.remote() for actor in actors.values() if actor is not None]
        if leaving:
            self._ray.wait(leaving, num_returns=len(leaving), timeout=LEAVE_S)
        for actor in actors.values():
            if actor is not None:
                self._ray.kill(actor, no_restart=True)

    def _actor(self, shard: int) -> Any:
        try:
            return self._ray.get_actor(name_of(shard), namespace=NAMESPACE)
        except ValueError:      # there is none, or it ended for good
            return None

    def _asked(self, actors: dict[int, Any]) -> dict[int, About | None]:
        """Shard -> what it says of itself, None where it does not answer now."""
        answers = {shard: actor.about.remote() for shard, actor in actors.items()}
        if answers:
            self._ray.wait(list(answers.values()), num_returns=len(answers), timeout=ANSWER_S)
        return {shard: self._got(shard, answer) for shard, answer in answers.items()}

    def _got(self, shard: int, answer: Any) -> About | None:
        try:
            told: About = self._ray.get(answer, timeout=0.01)
        except self._ray.exceptions.GetTimeoutError:
            return None
        except self._ray.exceptions.RayError as error:
            if self._faults.get(shard) != cause_of(error):
                self._faults[shard] = cause_of(error)
                self._say(f"shard {shard}: {cause_of(error)}")
            return None
        self._faults.pop(shard, None)
        return told

    def _loads(self, known: dict[int, About | None]) -> dict[str, int]:
        """Living node -> how many shards it runs."""
        loads = {str(node["NodeID"]): 0 for node in self._ray.nodes() if node["Alive"]}
        for told in known.values():
            if told is not None and told.node in loads:
                loads[told.node] += 1
        return loads

    def _begin(self, shard: int, node: str) -> None:
        from ray.util.scheduling_strategies import NodeAffinitySchedulingStrategy

        options = {"name": name_of(shard), "namespace": NAMESPACE, "lifetime": "detached", "num_cpus": CPUS,
                   "max_restarts": -1, "max_task_retries": 0,
                   "scheduling_strategy": NodeAffinitySchedulingStrategy(node, soft=True)}  # fmt: skip
        try:
            self._ray.remote(Shard).options(**options).remote(shard, self._shards[shard], self._url,
                                                              sources_digest(PARTS))  # fmt: skip
        except ValueError:      # the name of one that is just ending: the next look begins it
            return
        self._say(f"shard {shard}: begun on node {node[:8]} with {len(self._shards[shard].skids)} skids")

    def _balance(self, known: dict[int, About | None], actors: dict[int, Any], loads: dict[str, int]) -> None:
        """Moves one shard from the fullest to the emptiest node where they differ by two or more."""
        fullest, emptiest = max(loads, key=lambda n: loads[n]), min(loads, key=lambda n: loads[n])
        self._uneven = self._uneven + 1 if loads[fullest] - loads[emptiest] >= 2 else 0
        if self._uneven < UNEVEN:
            return
        self._uneven = 0
        shard = min(s for s, told in known.items() if told is not None and told.node == fullest)
        self._end(shard, actors[shard], f"moves from node {fullest[:8]} to {emptiest[:8]}")

    def _end(self, shard: int, actor: Any, why: str) -> None:
        """The next look begins it again where there is most room."""
        self._say(f"shard {shard}: {why}")
        self._ray.wait([actor.leave.remote()], timeout=LEAVE_S)
        self._ray.kill(actor, no_restart=True)
