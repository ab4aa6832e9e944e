"""A self-contained page from a template of this package: our style, no script, nothing loaded from elsewhere."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from monitor.errors import RunError

HERE = Path(__file__).parent


def render(template: str, **content: Any) -> str:
    """The page as text."""
    from monitor.web.templating import environment, inline

    made = environment(HERE / "templates")
    return made.get_template(template).render(style=inline("style.css"), **content)


def write_files(folder: Path, files: dict[str, str]) -> None:
    """Write texts into a folder, each whole or not at all. RunError where that cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, text in files.items():
            part = folder / f".{name}.part"
            part.write_text(text, encoding="utf-8", errors="backslashreplace", newline="\n")
            part.replace(folder / name)
    except OSError as error:
        raise RunError(f"{folder}: the results cannot be written there ({(error.strerror or str(error)).lower()}); "
                       "accepted for --out: a folder that can be written, or a new one") from None
