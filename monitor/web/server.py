"""The web application over the store, and the server that carries it."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import AsyncIterator, Callable
from typing import TYPE_CHECKING

from monitor.errors import RunError
from monitor.settings import Settings, WebSettings
from monitor.web.data import StoreReader

if TYPE_CHECKING:
    import uvicorn
    from fastapi import FastAPI

    from monitor.web.cases import Cases
    from monitor.web.site import Submit


def create_app(open_reader: Callable[[], StoreReader], settings: Settings, submit: Submit | None = None,
               cases: Cases | None = None) -> FastAPI:
    """The application: pages at / and below, JSON under /api/v1, /healthz, /metrics.

    open_reader: opens the store for reading, as `monitor.store.Reader.open`; called once, here, on the one thread
    that will ask. Raises what it raises (StoreError). submit: leaves a request (skid, action, body) for the daemon and
    returns its number; None: the page only looks. cases: whose labels may be confirmed, where there are any. Nothing
    else is ever written.
    """
    from fastapi import FastAPI
    from fastapi.staticfiles import StaticFiles
    from starlette.middleware.gzip import GZipMiddleware
    from starlette.routing import Match

    from monitor import __version__
    from monitor.web.access import Access, Gate
    from monitor.web.alarm_views import add_alarms
    from monitor.web.api import router
    from monitor.web.api_records import records_router
    from monitor.web.calendar import add_calendar
    from monitor.web.case_views import add_cases
    from monitor.web.changeout_views import add_changeouts
    from monitor.web.companion_views import add_companion
    from monitor.web.live import Hub
    from monitor.web.login_views import add_login
    from monitor.web.metrics import add_metrics
    from monitor.web.pages import Pages
    from monitor.web.report_views import add_report
    from monitor.web.security import Guard, is_loopback
    from monitor.web.site import Site
    from monitor.web.templating import STATIC
    from monitor.web.views import add_views

    hub = Hub(open_reader, ages=bool(settings.skids))

    @contextlib.asynccontextmanager
    async def lifespan(_: FastAPI) -> AsyncIterator[None]:
        await hub.start()
        try:
            yield
        finally:
            await hub.stop()

    app = FastAPI(title="Bagwright", version=__version__, docs_url=None, redoc_url=None,
                  openapi_url="/api/v1/openapi.json", lifespan=lifespan)
    app.state.hub = hub
    web = settings.web
    site = Site(hub, Pages(settings, may_act=submit is not None, cases=cases is not None), settings, submit)
    app.include_router(router(hub, settings))
    app.include_router(records_router(site))
    watched = (add_views, add_alarms, add_changeouts, add_companion, add_report, add_metrics, add_calendar)
    for add in watched if settings.skids else ():
        add(app, site)
    if cases is not None:
        add_cases(app, site, cases)
    access = Access(web.users, settings.command.token, secure=bool(web.cert_file or web.proxy))
    add_login(app, site, access)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    app.add_middleware(GZipMiddleware, minimum_size=1_000, compresslevel=5)     # it leaves event streams alone
    app.add_middleware(Gate, access=access, sorry=site.pages.sorry, answered=lambda scope: any(
        route.matches(scope)[0] is Match.FULL for route in app.routes))
    app.add_middleware(Guard, loopback_only=is_loopback(web.host), names=web.names)
    return app


def listen(host: str, port: int) -> socket.socket:
    """A bound socket; port 0 takes a free one. Raises RunError where the address cannot be had."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    made = socket.socket(family, socket.SOCK_STREAM)
    try:
        made.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        made.bind((host, port))
        made.listen(128)
    except (OSError, OverflowError) as error:
        made.close()
        raise RunError(
            f"the web page cannot listen on {host} port {port}: {getattr(error, 'strerror', None) or error}; "
            "choose another port under [web], or stop the program that uses this one") from error
    return made


def build_server(app: FastAPI, web: WebSettings | None = None) -> uvicorn.Server:
    """A server for `app`: `run(sockets=[...])` blocks until a signal, or until `should_exit` is set.

    web: where certificate, key and proxy are taken from.
    """
    import uvicorn

    web = web or WebSettings()

    class Server(uvicorn.Server):
        async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
            app.state.hub.end_streams()
            await super().shutdown(sockets)

    return Server(uvicorn.Config(app, log_config=None, access_log=False, server_header=False, lifespan="on",
                                 timeout_graceful_shutdown=2, ssl_certfile=web.cert_file, ssl_keyfile=web.key_file,
                                 proxy_headers=web.proxy is not None, forwarded_allow_ips=web.proxy or ""))


def serve(open_reader: Callable[[], StoreReader], settings: Settings, host: str | None = None,
          port: int | None = None, *, submit: Submit | None = None, cases: Cases | None = None,
          ready: Callable[[str], None] | None = None) -> None:
    """Serve the page until the process is told to stop. host, port: else those of the settings.

    ready: called with the address once it is bound. Raises RunError, StoreError.
    """
    import dataclasses

    host = settings.web.host if host is None else host
    port = settings.web.port if port is None else port
    settings = dataclasses.replace(settings, web=dataclasses.replace(settings.web, host=host, port=port))
    with contextlib.closing(listen(host, port)) as bound:
        app = create_app(open_reader, settings, submit, cases)
        if ready is not None:
            shown = f"[{host}]" if ":" in host else host
            ready(f"{'https' if settings.web.cert_file else 'http'}://{shown}:{bound.getsockname()[1]}/")
        server = build_server(app, settings.web)
        server.run(sockets=[bound])
        if not server.started:
            raise RunError("the web page could not start")


