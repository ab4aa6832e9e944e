"""What a table of a configuration is, as a pydantic model over the readers, and how one is read.

Every key is optional to pydantic, so that one bad key does not hide the rest: `read_table` reports what
is wrong or missing and hands back a model with None for what could not be used.
"""

from __future__ import annotations

from enum import StrEnum
from typing import Any, ClassVar, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError

from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.positions import KeyPath
from monitor.config.readers import (
    LONGEST_PATH,
    Quantity,
    SecretFile,
    Text,
    VariableName,
    Whole,
)
from monitor.config.wording import RefusalError, shown

DAY = 86_400.0
DELAY = BeforeValidator(Quantity("time", "from zero to 30 d", at_least=0, at_most=30 * DAY))
FILE = BeforeValidator(Text("the path of a file", longest=LONGEST_PATH))
SECRET_FILE = BeforeValidator(SecretFile())
HOST = BeforeValidator(Text("a host name or address without port, as \"127.0.0.1\"", banned="/ @,"))
PORT = BeforeValidator(Whole(1, 65_535, "a port"))
VARIABLE = BeforeValidator(VariableName())
FOLDER = BeforeValidator(Text("the path of a folder", longest=LONGEST_PATH))


class Priority(StrEnum):
    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


class Table(BaseModel):
    """A table; `needed` keys must stand in it."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)
    needed: ClassVar[tuple[str, ...]] = ()


T = TypeVar("T", bound=Table)


def read_table(model: type[T], document: Document, path: KeyPath, faults: Faults, *, present: bool = True) -> T:
    """The table at `path` as a model. Bad, unknown and missing keys become faults and stay None.

    present: whether the table stands in the file at all; if not, an empty model, and a fault where keys are needed.
    """
    raw = value_at(document, path) if present else None
    if not isinstance(raw, dict):
        if present or model.needed:
            what = f"a table with {', '.join(model.needed or model.model_fields)}"
            faults.add(document, path, "no table" if present else "nothing", what)
        return model()
    for key in model.needed:
        if key not in raw:
            faults.add(document, (*path, key), "nothing", accepted_for(model, key))
    try:
        return model.model_validate(raw)
    except ValidationError as error:
        bad = _report(error, model, raw, document, path, faults)
    return model.model_validate({key: value for key, value in raw.items() if key not in bad})


def size(document: Document, path: KeyPath, value: Any, faults: Faults) -> int:
    """How many tables the array at `path` has; 0, with a fault, where something else stands."""
    if value is not None and not isinstance(value, list):
        faults.add(document, path, "one table or value", f"tables [[{'.'.join(map(str, path))}]]")
    return len(value) if isinstance(value, list) else 0


def value_at(document: Document, path: KeyPath) -> Any:
    """The value at a path that exists in the document."""
    value: Any = document.data
    for part in path:
        value = value[part]
    return value


def accepted_for(model: type[Table], key: str) -> str:
    """The clause of a key's reader that says what it accepts."""
    readers = [m.func for m in model.model_fields[key].metadata if isinstance(m, BeforeValidator)]
    return str(getattr(readers[0], "accepted", "")) if readers else f"a table for {key}"


def _report(
    error: ValidationError, model: type[T], raw: dict[str, Any], document: Document, path: KeyPath, faults: Faults
) -> set[str]:
    """Adds what pydantic found; returns the keys it found it in."""
    bad: set[str] = set()
    for item in error.errors(include_url=False):
        key = str(item["loc"][0])
        refusal = item.get("ctx", {}).get("error")
        if item["type"] == "extra_forbidden":
            faults.unknown_key(document, (*path, key), list(model.model_fields))
        elif isinstance(refusal, RefusalError):
            faults.add(document, (*path, key), refusal.found, refusal.accepted)
        elif key not in bad:
            faults.add(document, (*path, key), shown(raw[key]), accepted_for(model, key))
        bad.add(key)
    return bad
