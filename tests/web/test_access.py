"""Beyond loopback: log-in, roles, sessions, other sites, limits."""

from __future__ import annotations

import dataclasses
import itertools
import ssl
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from display_samples import read_html
from page_plant import Plant, served
from services import Certificates

from monitor.model import Event
from monitor.settings import CommandSettings, Secret, WebSettings, WebUser
from monitor.web.access import SESSION_S, Access, Limit

LOOK, ACT = WebUser("viewer", "look", Secret("look-token-1")), WebUser("control room", "act", Secret("act-token-2"))
ADDRESS = "/alarms/act?skid=intake&kind=changeout-due"


@pytest.fixture
def guarded(plant: Plant) -> Iterator[str]:
    plant.settings = dataclasses.replace(plant.settings, web=WebSettings(users=(LOOK, ACT)))
    with served(plant) as address:
        yield address


@pytest.fixture
def stranger(guarded: str) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=guarded, timeout=10, trust_env=False) as made:
        yield made


def log_in(client: httpx.Client, token: str) -> httpx.Response:
    return client.post("/login?then=/alarms", data={"token": token})


@pytest.mark.parametrize("path", ["/", "/skid/intake", "/alarms", "/changeouts", "/changeouts.csv"])
def test_without_log_in_pages_lead_to_it(stranger: httpx.Client, path: str) -> None:
    answer = stranger.get(path)
    assert answer.status_code == 303 and answer.headers["location"] == f"/login?then={path}"


@pytest.mark.parametrize("path", ["/api/v1/skids", "/api/v1/openapi.json", "/live", "/skid/intake/live", "/metrics"])
def test_without_token_the_interface_and_the_streams_are_refused(stranger: httpx.Client, path: str) -> None:
    answer = stranger.get(path)
    assert answer.status_code == 401 and answer.headers["www-authenticate"].startswith("Bearer")
    assert stranger.get(path, headers={"authorization": "Bearer wrong"}).status_code == 401


def test_health_tells_nothing_but_the_state_and_needs_no_log_in(stranger: httpx.Client) -> None:
    assert set(stranger.get("/healthz").json()) == {"status", "store_age_s"}


def test_token_of_a_program_opens_the_interface(stranger: httpx.Client) -> None:
    assert stranger.get("/api/v1/skids", headers={"authorization": "Bearer look-token-1"}).status_code == 200


def test_session_is_kept_in_a_cookie_that_scripts_and_other_sites_do_not_get(stranger: httpx.Client) -> None:
    answer = log_in(stranger, "act-token-2")
    assert answer.status_code == 303 and answer.headers["location"] == "/alarms"
    assert {"HttpOnly", "SameSite=Strict", "Path=/"} <= set(answer.headers["set-cookie"].split("; "))
    assert "act-token-2" not in answer.headers["set-cookie"]
    page = stranger.get("/")
    assert page.status_code == 200 and "control room" in page.text and "Log out" in page.text
    stranger.post("/logout")
    assert stranger.get("/").status_code == 303


def test_log_in_never_leads_to_another_site(stranger: httpx.Client) -> None:
    for then in ("https://elsewhere.example/", "//elsewhere.example", "/\\elsewhere.example"):
        answer = stranger.post("/login", params={"then": then}, data={"token": "act-token-2"})
        assert answer.headers["location"] == "/"


def test_who_may_look_may_not_act(stranger: httpx.Client, plant: Plant, due: Event) -> None:
    plant.say(due)
    log_in(stranger, "look-token-1")
    assert stranger.get("/alarms").status_code == 200
    refused = stranger.post(ADDRESS, data={"action": "ack"})
    assert refused.status_code == 403 and "may look but not act" in refused.text and plant.store.requests() == []


def test_a_method_that_nothing_answers_is_no_question_of_rights(stranger: httpx.Client) -> None:
    """RFC 9110, 15.5.6: the method is known to the server, but not to this resource; with Allow. To who may look as to
    who may act; a stranger is asked to log in first and learns of no path."""
    paths = {"/api/v1/alarms": 405, "/api/v1/requests": 405, "/alarms/act": 405, "/api/v1/nothing": 404}
    for method, (path, status) in itertools.product(("TRACE", "PUT"), paths.items()):
        for token in ("look-token-1", "act-token-2"):
            answer = stranger.request(method, path, headers={"authorization": f"Bearer {token}"})
            assert (answer.status_code, "allow" in answer.headers) == (status, status == 405), (method, path, token)
        assert stranger.request(method, path).status_code == 401


def test_what_is_done_is_signed_with_the_name_of_the_log_in(stranger: httpx.Client, plant: Plant, due: Event) -> None:
    plant.say(due)
    log_in(stranger, "act-token-2")
    assert stranger.post(ADDRESS, data={"action": "ack", "who": "Somebody Else"}).status_code == 303
    assert plant.store.requests()[0].body["who"] == "control room"


def test_who_may_only_look_is_not_offered_to_act_and_is_refused_on_a_page(stranger: httpx.Client, plant: Plant,
                                                                          due: Event) -> None:
    plant.say(due)
    log_in(stranger, "look-token-1")
    assert '<body class="looks"' in stranger.get("/alarms").text
    refused = stranger.post(ADDRESS, data={"action": "ack"}, headers={"accept": "text/html"})
    assert refused.status_code == 403 and read_html(refused.text).faults == []
    assert "viewer may look but not act here." in read_html(refused.text).text
    log_in(stranger, "act-token-2")
    assert "looks" not in stranger.get("/alarms").text


def test_token_of_commands_lets_a_program_act_in_the_name_it_gives_and_no_person_log_in(plant: Plant, due: Event
                                                                                        ) -> None:
    """The same token that signs commands over MQTT, where the command names who acts."""
    plant.say(due)
    plant.settings = dataclasses.replace(plant.settings, web=WebSettings(users=(LOOK,)),
                                         command=CommandSettings(Secret("command-token-3")))
    asked = {"action": "ack", "target": "intake/changeout-due"}
    with served(plant) as address, httpx.Client(base_url=address, trust_env=False) as program:
        bearer = {"authorization": "Bearer command-token-3"}
        assert program.post("/api/v1/requests", json=asked, headers=bearer).status_code == 400
        assert program.post("/api/v1/requests", json=asked | {"who": "Ada"}, headers=bearer).status_code == 202
        assert plant.store.requests()[0].body["who"] == "Ada"
        assert log_in(program, "command-token-3").status_code == 403


def test_guessing_tokens_of_programs_is_slowed(stranger: httpx.Client) -> None:
    answers = [stranger.get("/api/v1/skids", headers={"authorization": f"Bearer guess-{i}"}).status_code
               for i in range(7)]
    assert answers == [401] * 5 + [429, 429]
    assert stranger.get("/api/v1/skids", headers={"authorization": "Bearer look-token-1"}).status_code == 200


@pytest.mark.parametrize("headers", [
    {"sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"}, {"origin": "https://elsewhere.example"},
    {"origin": "null"}])
def test_what_another_site_sends_is_not_done_though_the_cookie_comes(stranger: httpx.Client, plant: Plant, due: Event,
                                                                     headers: dict[str, str]) -> None:
    plant.say(due)
    log_in(stranger, "act-token-2")
    assert stranger.post(ADDRESS, data={"action": "ack"}, headers=headers).status_code == 403
    assert plant.store.requests() == []
    own = {"origin": str(stranger.base_url).rstrip("/"), "sec-fetch-site": "same-origin"}
    assert stranger.post(ADDRESS, data={"action": "ack"}, headers=own).status_code == 303


def test_guessing_tokens_is_slowed(stranger: httpx.Client) -> None:
    answers = [log_in(stranger, f"guess-{i}").status_code for i in range(7)]
    assert answers[:5] == [403] * 5 and answers[5:] == [429, 429]
    assert int(log_in(stranger, "guess").headers["retry-after"]) >= 1


def test_session_ends_by_time_and_with_the_token() -> None:
    clock = [1_000_000.0]
    access = Access((ACT,), now=lambda: clock[0])
    cookie = access.cookie(ACT).split(";")[0]
    assert access.by_cookie(cookie) is ACT
    forged = cookie[:-1] + ("1" if cookie[-1] == "0" else "0")
    for broken in ("", "bagwright=", "bagwright=a.b.c", forged):
        assert access.by_cookie(broken) is None
    changed = Access((dataclasses.replace(ACT, token=Secret("act-token-3")),), now=lambda: clock[0])
    assert changed.by_cookie(cookie) is None
    demoted = Access((dataclasses.replace(ACT, role="look"),), now=lambda: clock[0])
    assert demoted.by_cookie(cookie) is None
    clock[0] += SESSION_S + 1
    assert access.by_cookie(cookie) is None


def test_cookie_stays_on_tls_where_there_is_tls() -> None:
    assert "; Secure" in Access((ACT,), secure=True).cookie(ACT)


def test_over_tls_the_cookie_is_kept_there_and_a_stranger_to_the_certificate_is_told(plant: Plant, tmp_path: Path
                                                                                    ) -> None:
    own = Certificates(tmp_path)
    web = WebSettings(users=(ACT,), cert_file=str(own.server_cert), key_file=str(own.server_key))
    plant.settings = dataclasses.replace(plant.settings, web=web)
    with served(plant) as address:
        trusted = ssl.create_default_context(cafile=str(own.ca_file))
        with httpx.Client(base_url=address, verify=trusted, trust_env=False) as client:
            assert address.startswith("https://") and client.get("/").status_code == 303
            assert "; Secure" in log_in(client, "act-token-2").headers["set-cookie"]
            assert client.get("/alarms").status_code == 200
        with pytest.raises(httpx.ConnectError, match="certificate verify failed"):
            httpx.get(address, trust_env=False)
        with pytest.raises(httpx.RemoteProtocolError):
            httpx.get(address.replace("https", "http"), trust_env=False)


@pytest.mark.parametrize(("proxy", "codes"), [("127.0.0.1", [403] * 5 + [429, 403]), (None, [403] * 5 + [429, 429])])
def test_who_asks_is_taken_from_the_proxys_word_only_where_it_is_trusted(plant: Plant, proxy: str | None,
                                                                         codes: list[int]) -> None:
    """Behind a proxy limits are each browser's own; without one nobody escapes them by naming another address."""
    plant.settings = dataclasses.replace(plant.settings, web=WebSettings(users=(ACT,), proxy=proxy))
    with served(plant) as address, httpx.Client(base_url=address, trust_env=False) as client:
        found = [client.post("/login", data={"token": f"guess-{i}"},
                             headers={"x-forwarded-for": "203.0.113.7" if i < 6 else "203.0.113.8"}).status_code
                 for i in range(7)]
    assert found == codes


HEADERS = {"content-security-policy": "default-src 'none'", "x-content-type-options": "nosniff",
           "x-frame-options": "DENY", "referrer-policy": "same-origin", "cross-origin-opener-policy": "same-origin",
           "cross-origin-resource-policy": "same-origin", "permissions-policy": "camera=()"}


@pytest.mark.parametrize("path", ["/", "/login", "/alarms", "/live", "/nowhere", "/api/v1/skids", "/static/style.css",
                                  "/report/file.html"])
def test_every_answer_carries_the_headers_also_one_that_refuses(stranger: httpx.Client, path: str) -> None:
    """OWASP HTTP Headers cheat sheet (from memory); no inline script or style, no frame, nothing from elsewhere."""
    for headers in ({}, {"authorization": "Bearer look-token-1"}):
        with stranger.stream("GET", path, headers=headers) as answer:
            for name, value in HEADERS.items():
                assert answer.headers[name].startswith(value), (path, name)
            assert "unsafe" not in answer.headers["content-security-policy"] and "server" not in answer.headers
            assert "no-store" in answer.headers.get("cache-control", "") or "etag" in answer.headers


def test_limit_lets_a_burst_through_and_then_a_steady_rate() -> None:
    now = [0.0]
    limit = Limit(2.0, 3.0, lambda: now[0])
    assert [limit.wait("a") == 0.0 for _ in range(4)] == [True, True, True, False]
    assert limit.wait("a") == 0.5 and limit.wait("b") == 0.0
    now[0] = 0.5
    assert limit.wait("a") == 0.0 and limit.wait("a") == 0.5
