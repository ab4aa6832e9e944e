"""`[web]` and `[[web.user]]`: where the page is served, and who may look and act."""

from __future__ import annotations

import ipaddress
from collections.abc import Mapping

from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.files import check_pair, file_at
from monitor.config.positions import KeyPath
from monitor.config.secrets import read_secret, secret_path
from monitor.config.site_tables import WebTable, WebUserTable
from monitor.config.tables import read_table, size
from monitor.config.wording import shown
from monitor.settings import WebSettings, WebUser

SHORTEST = 16       # characters of a token: 96 random bits in base64; common practice, no source
TOKEN = f"at least {SHORTEST} characters that nobody can guess, as `openssl rand -base64 24` prints them"


def read_web(document: Document, environ: Mapping[str, str], faults: Faults) -> WebSettings:
    """`[web]` of a document with its users."""
    table, default = read_table(WebTable, document, ("web",), faults), WebSettings()
    count = size(document, ("web", "user"), table.user, faults)
    found = [_read_user(document, place, environ, faults) for place in range(count)]
    users = tuple(user for user in found if user is not None)
    _check_users(document, users, faults)
    files = {key: file_at(document, ("web", key), table, faults) for key in ("cert_file", "key_file")}
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
    table = read_table(WebUserTable, document, path, faults)
    token = read_secret(document, path, table, "token", environ, faults)
    if token is None:
        if table.token_env is None and table.token_file is None:
            faults.add(document, path, "no token", f"token_env or token_file that leads to {TOKEN}")
        return None
    if len(token.reveal()) < SHORTEST:
        faults.add(document, secret_path(path, table, "token"), "a token that is too short (it is not shown)", TOKEN)
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
    check_pair(document, ("web",), table, faults)
