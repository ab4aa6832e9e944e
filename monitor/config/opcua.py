"""`[opcua]` and `[[opcua.user]]`: the OPC UA server, and who may look and act there."""

from __future__ import annotations

from collections.abc import Mapping

from monitor.config.documents import Document
from monitor.config.faults import Faults
from monitor.config.files import PEM_OR_DER, check_pair, file_at
from monitor.config.positions import KeyPath
from monitor.config.secrets import read_secret, secret_path
from monitor.config.site_tables import OpcuaTable, OpcuaUserTable
from monitor.config.tables import read_table, size
from monitor.config.web import is_loopback
from monitor.config.wording import shown
from monitor.settings import OpcuaSettings, OpcuaUser

SHORTEST = 8        # characters of a password, as NIST SP 800-63B, 5.1.1.1 asks of people
WAYS = "password_env, password_file or cert_file"


def read_opcua(document: Document, environ: Mapping[str, str], faults: Faults) -> OpcuaSettings:
    """`[opcua]` of a document with its users."""
    table, default = read_table(OpcuaTable, document, ("opcua",), faults), OpcuaSettings()
    count = size(document, ("opcua", "user"), table.user, faults)
    found = [_read_user(document, place, environ, faults) for place in range(count)]
    users = tuple(user for user in found if user is not None)
    if len({u.name for u in users}) < len(users):
        faults.add(document, ("opcua", "user"), "two users with the same name", "another name for each")
    host = table.host or default.host
    if not table.user and not table.anonymous:
        faults.add(document, ("opcua",), "nobody who may come in",
                   f"[[opcua.user]] with name, role (look or act) and {WAYS}; or anonymous = true: whoever comes may "
                   "look")
    if table.unencrypted and not is_loopback(host):
        faults.add(document, ("opcua", "unencrypted"), f"true on host {shown(host)}, reached from elsewhere",
                   "encrypted clients only, or host 127.0.0.1")
    check_pair(document, ("opcua",), table, faults, "both, or neither: then one is made")
    files = {key: file_at(document, ("opcua", key), table, faults, PEM_OR_DER) for key in ("cert_file", "key_file")}
    trusted = None if table.trusted is None else str(document.folder / table.trusted)
    if trusted is not None and not (document.folder / str(table.trusted)).is_dir():
        faults.add(document, ("opcua", "trusted"), f"{shown(trusted, 400)}, which is no folder",
                   "a folder of certificates in PEM or DER format")
    return OpcuaSettings(host=host, port=table.port or default.port, users=users, anonymous=bool(table.anonymous),
                         unencrypted=bool(table.unencrypted), trusted=trusted, **files)


def _read_user(document: Document, place: int, environ: Mapping[str, str], faults: Faults) -> OpcuaUser | None:
    path: KeyPath = ("opcua", "user", place)
    table = read_table(OpcuaUserTable, document, path, faults)
    password = read_secret(document, path, table, "password", environ, faults)
    certificate = file_at(document, (*path, "cert_file"), table, faults, PEM_OR_DER)
    if all(way is None for way in (table.password_env, table.password_file, table.cert_file)):
        faults.add(document, path, "no way to log in", WAYS)
    if password is not None and len(password.reveal()) < SHORTEST:
        faults.add(document, secret_path(path, table, "password"), "a password that is too short (it is not shown)",
                   f"at least {SHORTEST} characters")
    return None if table.name is None or table.role is None else OpcuaUser(table.name, str(table.role), password,
                                                                           certificate)  # fmt: skip
