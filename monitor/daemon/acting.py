"""What people ask that the engine must know: requests in the store become actions at the event time reached."""

from __future__ import annotations

from collections.abc import Sequence

from monitor.daemon.keeper import ENGINES
from monitor.engine.engine import Engine, Output
from monitor.model import Action
from monitor.skid import SkidSettings
from monitor.store import Batch, Request

REFUSED = "refused: "    # how an answer begins that changed nothing


def act_on(requests: Sequence[Request], engine: Engine, skids: Sequence[SkidSettings], batch: Batch) -> Output:
    """Apply the requests whose verb the engine knows, oldest first; answers and actions go into the batch, what came of
    them is returned. Other requests are left to others."""
    output = Output()
    places = {skid.id: i for i, skid in enumerate(skids)}
    for request in requests:
        if request.action not in ENGINES:
            continue
        i = places.get(request.skid or "")
        body = request.body if isinstance(request.body, dict) else {}
        by = str(body.get("by") or "").strip()
        if i is None or not by:
            why = "it does not say by whom" if i is not None else f"no skid {request.skid} is watched here"
            batch.answers.append((request.id, REFUSED + why))
            continue
        action = Action(max(engine.reached(i), 0), skids[i].id, request.action, by, str(body.get("reason") or ""),
                        {k: v for k, v in body.items() if k not in ("by", "reason")}, request.id)  # fmt: skip
        came = engine.act(i, action)
        said = came.answers[-1]
        batch.actions.append(action)
        batch.answers.append((request.id, said.text if said.done else REFUSED + said.text))
        output.join(came)
    return output
