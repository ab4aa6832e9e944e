"""`[web]` and `[[web.user]]`: where the page is served, and who may look and act."""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping

from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.positions import KeyPath
from monitor.config.secrets import read_secret
from monitor.config.tables import UserTable, WebTable, read_table
from monitor.config.wording import shown
from monitor.settings import WebSettings, WebUser

SHORTEST = 16       # characters of a token: 96 random bits in base64; common practice, no source
TOKEN = f"at least {SHORTEST} characters that nobody can guess, as `openssl rand -base64 24` prints them"


def read_web(document: Document, environ: Mapping[str, str], faults: Faults) -> WebSettings:
    """`[web]` of a document with its users."""
    table, default = read_table(WebTable, document, ("web",), faults), WebSettings()
    users: tuple[WebUser, ...] = ()
    if isinstance(table.user, list):
        found = [_read_user(document, place, environ, faults) for place in range(len(table.user))]
        users = tuple(user for user in found if user is not None)
        _check_users(document, users, faults)
    elif table.user is not None:
        faults.add(document, ("web", "user"), "one table or value", "tables [[web.user]]")
    files = {key: _file(document, table, key, faults) for key in ("cert_file", "key_file")}
    _check_reach(document, table, bool(table.user), faults)
    return WebSettings(host=table.host or default.host, port=table.port or default.port, address=table.address,
                       names=table.names or (),
                       users=users, proxy=table.proxy, timezone=table.timezone or default.timezone,
                       cases=None if table.cases is None else str(document.folder / table.cases), **files)


def is_loopback(host: str) -> bool:
    """Whether only this machine reaches a server bound to `host`."""
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"


def _read_user(document: Document, place: int, environ: Mapping[str, str], faults: Faults) -> WebUser | None:
    path: KeyPath = ("web", "user", place)
    table = read_table(UserTable, document, path, faults)
    token = read_secret(document, path, table, "token", environ, faults)
    if token is None:
        if table.token_env is None and table.token_file is None:
            faults.add(document, path, "no token", f"token_env or token_file that leads to {TOKEN}")
        return None
    if len(token.reveal()) < SHORTEST:
        key = "token_env" if table.token_env is not None else "token_file"
        faults.add(document, (*path, key), "a token that is too short (it is not shown)", TOKEN)
        return None
    return None if table.name is None or table.role is None else WebUser(table.name, str(table.role), token)


def _check_users(document: Document, users: tuple[WebUser, ...], faults: Faults) -> None:
    for what, values in (("name", [u.name for u in users]), ("token", [u.token.reveal() for u in users])):
        if len(set(values)) < len(values):
            faults.add(document, ("web", "user"), f"two users with the same {what}", f"another {what} for each")


def _check_reach(document: Document, table: WebTable, has_users: bool, faults: Faults) -> None:
    """Whoever reaches the page from elsewhere is known, and nobody on the way can listen."""
    host = table.host or WebSettings().host
    beyond = not is_loopback(host) or table.proxy is not None
    if beyond and not has_users:
        faults.add(document, ("web",), f"host {shown(host)}, reached from elsewhere, without a user",
                   "[[web.user]] with name, role (look or act) and token_env or token_file; or host 127.0.0.1 and no "
                   "proxy")
    if not is_loopback(host) and table.proxy is None and table.cert_file is None:
        faults.add(document, ("web",), f"host {shown(host)} without TLS",
                   "cert_file and key_file, or proxy: the address of a proxy that brings TLS; or host 127.0.0.1")
    for key, other in (("cert_file", "key_file"), ("key_file", "cert_file")):
        if getattr(table, key) is not None and getattr(table, other) is None:
            faults.add(document, ("web", key), f"{key} without {other}", "both, or neither")


def _file(document: Document, table: WebTable, key: str, faults: Faults) -> str | None:
    name = getattr(table, key)
    if name is None:
        return None
    file = document.folder / name
    if not file.is_file():
        faults.add(document, ("web", key), f"{shown(str(file), 400)}, which is no file", "a file in PEM format")
    return str(file)
