"""The page and the report in Debian's Chromium, on a desk and on a phone."""

from __future__ import annotations

import contextlib
import shutil
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import pytest
from display_samples import MINUTE, START, event, hatchery_skid, history, rows
from page_plant import NEWEST, Plant, served
from web.case_samples import NAME, folder_with_a_case

from monitor.model import NS, Event, Transition
from monitor.report import write_report
from monitor.store import Batch
from monitor.tuning.casebook import CaseBook
from monitor.web.server import build_server, create_app, listen

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = [pytest.mark.needs("chromium"), pytest.mark.timeout(120)]

SIZES = pytest.mark.parametrize("size", [(1440, 1000), (360, 740)], ids=["desk", "phone"])
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
             "--disable-component-update", "--disable-sync"]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        found = playwright.chromium.launch(executable_path=shutil.which("chromium"), args=ARGUMENTS)
        yield found
        found.close()


@contextlib.contextmanager
def opened(browser: Browser, address: str, size: tuple[int, int]) -> Iterator[Page]:
    """A page that may not complain, load from elsewhere or be wider than the screen."""
    complaints: list[str] = []
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, timezone_id="Europe/Oslo")
    page = context.new_page()
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    foreign: list[str] = []
    home = address if address.startswith("file:") else "/".join(address.split("/")[:3])
    page.on("request", lambda request: foreign.append(request.url) if not request.url.startswith(home) else None)
    page.goto(address)
    yield page
    assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
    assert foreign == []
    assert [c for c in complaints if "ERR_" not in c] == []         # a cut connection is meant to be noticed
    context.close()


def wait_for(page: Page, text: str, timeout: float = 15.0) -> None:
    page.get_by_text(text).first.wait_for(timeout=timeout * 1000)


@SIZES
def test_new_reading_and_alarm_appear_without_reloading(browser: Browser, site: str, plant: Plant, due: Event,
                                                        size: tuple[int, int]) -> None:
    with opened(browser, f"{site}/skid/intake", size) as page:
        page.evaluate("window.stayed = true")
        wait_for(page, "3.21 bar")
        plant.read(NEWEST + NS, 3.97)
        wait_for(page, "3.97 bar")
        plant.say(due)
        wait_for(page, "Normalised dP has reached 1.00 bar at 58 m³/h.")
        assert page.evaluate("window.stayed") is True


@SIZES
def test_overview_fits_and_shows_utc_and_the_readers_time(browser: Browser, site: str, size: tuple[int, int]) -> None:
    with opened(browser, f"{site}/", size) as page:
        wait_for(page, "live")
        newest = page.locator("#newest time").first.inner_text()
        assert newest.startswith("2026-03-01 02:00:20 UTC") and "03:00:20" in newest        # Oslo is UTC+1 in March


def test_cut_connection_is_told_and_resumes_by_itself(browser: Browser, plant: Plant) -> None:
    bound = listen("127.0.0.1", 0)
    port = bound.getsockname()[1]
    stop = serving(plant, bound)
    with opened(browser, f"http://127.0.0.1:{port}/skid/intake", (1440, 1000)) as page:
        wait_for(page, "live")
        stop()
        wait_for(page, "No connection to the monitor since")
        plant.read(NEWEST + NS, 4.44)
        stop = serving(plant, listen("127.0.0.1", port))
        wait_for(page, "4.44 bar", 30.0)
        assert page.locator("#lost").is_hidden()
    stop()


def serving(plant: Plant, bound: socket.socket) -> Callable[[], None]:
    server = build_server(create_app(plant.reader, plant.settings))
    thread = threading.Thread(target=server.run, kwargs={"sockets": [bound]}, daemon=True)
    thread.start()
    while not server.started and thread.is_alive():
        time.sleep(0.01)

    def stop() -> None:
        server.should_exit = True
        thread.join(15)
        bound.close()

    return stop


def test_old_data_are_called_old_while_the_page_is_open(browser: Browser, plant: Plant,
                                                        monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("monitor.web.live.OLD_S", 3.0)
    monkeypatch.setattr("monitor.web.live.BEAT_S", 0.5)
    with served(plant) as address, opened(browser, address, (360, 740)) as page:
        wait_for(page, "Old data: nothing new has been stored for")
        plant.read(NEWEST + NS, 3.97)
        page.locator("#old").wait_for(state="hidden", timeout=10_000)


DONE = event(60, "changeout-done", Transition.NOTED, vessel="V1", detail="resistance-high", value=1.41, unit="1",
             message="Vessel V1 was out of service for 18 min.",
             evidence={"returned_at": START + 58 * MINUTE, "life_h": 190.25, "ratio_90": [1.3, 1.52]})
VIEWS = ("/", "/report", "/skid/intake", "/skid/intake?span=15m", "/alarms",
         "/alarms/act?skid=intake&kind=changeout-due", "/changeouts",
         f"/changeouts/inspection?event={DONE.id}", f"/event/{DONE.id}", "/companion/intake/V1", "/login", "/nowhere")


@SIZES
@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_view_fits_and_axe_finds_nothing_serious(browser: Browser, site: str, plant: Plant, due: Event,
                                                       size: tuple[int, int], scheme: Literal["light", "dark"]) -> None:
    """axe-core's rules, from the package axe-playwright-python: WCAG 2 A and AA, and its best practices."""
    from axe_playwright_python.sync_playwright import Axe

    plant.say(due)
    plant.say(DONE)
    context = browser.new_context(viewport={"width": size[0], "height": size[1]}, color_scheme=scheme)
    page = context.new_page()
    for path in VIEWS:
        page.goto(site + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0], path
        found = [f"{v['id']}: {v['nodes'][0]['html'][:120]}" for v in Axe().run(page).response["violations"]
                 if v["impact"] in ("serious", "critical")]
        assert found == [], path
    context.close()


@SIZES
def test_labels_of_a_case_are_ticked_and_corrected_by_hand(browser: Browser, plant: Plant, tmp_path: Path,
                                                          size: tuple[int, int]) -> None:
    from axe_playwright_python.sync_playwright import Axe

    cases = CaseBook(folder_with_a_case(tmp_path))
    with served(plant, cases) as address, opened(browser, f"{address}/cases", size) as page:
        def look() -> None:
            assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
            assert [v["id"] for v in Axe().run(page).response["violations"]] == []

        look()
        page.get_by_role("link", name=NAME).click()
        look()
        page.get_by_role("checkbox").first.check()
        page.get_by_label("Your name").fill("Ada")
        page.get_by_role("button", name="What is ticked is right").click()
        wait_for(page, "2 to look at, 1 label, 0 decoys")
        page.get_by_role("link", name="Changeout done").click()
        look()
        page.get_by_label("Vessel").select_option("west")
        page.get_by_role("button", name="It is right as it stands here").click()
        page.get_by_role("heading", name="Signal fault").wait_for()         # the next proposal
        page.get_by_label("Why, if it was none").fill("a trial")
        page.get_by_role("button", name="It was none").click()
        wait_for(page, "0 to look at, 2 labels, 1 decoy")
        look()
    assert [e.vessel for e in cases.case(NAME).entries if e.list == "events"] == [None, "west"]


def test_alarm_is_acknowledged_shelved_and_noted_by_hand_and_the_answers_are_told(browser: Browser, site: str,
                                                                                 plant: Plant, due: Event) -> None:
    plant.say(due)
    with opened(browser, f"{site}/alarms", (360, 740)) as page:
        for words, action, why in (("Acknowledge", "ack", "seen"), ("Shelve", "shelve", "spare on its way"),
                                   ("Keep the note only", "journal", "river is brown")):
            page.get_by_role("link", name="Acknowledge or shelve").click()
            page.get_by_label("Your name").fill("Ada")
            page.get_by_label("Why, or a note").fill(why)
            page.get_by_role("button", name=words, exact=True).click()
            page.wait_for_url("**/alarms")
            request = plant.store.requests()[0]
            assert (request.action, request.body["who"], request.body["why"]) == (action, "Ada", why)
            plant.commit(Batch(answers=[(request.id, f"done: {action}")]))
            wait_for(page, f"done: {action}")
        page.get_by_role("link", name="Acknowledge or shelve").click()
        assert page.get_by_label("Your name").input_value() == "Ada"        # a person is not asked twice


def test_what_was_found_at_a_changeout_is_kept_with_its_record(browser: Browser, site: str, plant: Plant) -> None:
    plant.say(DONE)
    with opened(browser, f"{site}/companion/intake/V1", (360, 740)) as page:
        page.get_by_role("link", name="Write down what was found").click()
        page.get_by_role("group", name="Strainer basket looked at").get_by_label("damaged").check()
        page.get_by_role("group", name="O-ring of the closure").get_by_label("new").check()
        page.get_by_label("Your name").fill("Ada")
        page.get_by_role("button", name="Keep this").click()
        wait_for(page, "strainer basket looked at: damaged; o-ring of the closure: new")


def test_steps_ticked_off_are_remembered_on_the_phone_and_evidence_comes_by_itself(browser: Browser, site: str,
                                                                                   plant: Plant) -> None:
    with opened(browser, f"{site}/companion/intake/V1", (360, 740)) as page:
        page.get_by_role("checkbox").first.check()
        values = rows({0: 3.2, 1: 2.0, 4: 1.3}, NEWEST + NS)
        plant.commit(Batch(rows=[("intake", values, np.ones(3, np.bool_))]))
        wait_for(page, "Still 1.30 bar in this vessel.")
        page.reload()
        assert page.get_by_role("checkbox").first.is_checked()
        page.get_by_role("button", name="Start again").click()
        assert not page.get_by_role("checkbox").first.is_checked()


def test_overview_is_sifted_by_words_and_by_what_needs_a_look(browser: Browser, site: str) -> None:
    with opened(browser, f"{site}/", (1440, 1000)) as page:
        page.get_by_label("Find").fill("raceway")
        assert page.locator("#skids tr:visible").count() == 1
        page.get_by_label("Find").fill("")
        page.get_by_label("only what needs a look").check()
        assert page.locator("#skids tr:visible").count() == 1          # the raceway, which was never heard of


def test_keyboard_alone_reaches_every_view_and_the_content(browser: Browser, site: str) -> None:
    with opened(browser, f"{site}/skid/intake", (1440, 1000)) as page:
        page.keyboard.press("Tab")
        assert page.evaluate("document.activeElement.textContent") == "Skip to the content"
        seen = []
        for _ in range(8):
            page.keyboard.press("Tab")
            seen.append(page.evaluate("document.activeElement.textContent.trim()"))
        assert seen[:4] == ["Bagwright", "Overview", "Alarms", "Changeouts"]
        assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"


@SIZES
def test_report_opens_from_the_disk_and_fits(browser: Browser, tmp_path: Path, size: tuple[int, int]) -> None:
    write_sample(tmp_path / "report.html")
    with opened(browser, (tmp_path / "report.html").as_uri(), size) as page:
        assert page.locator("svg.chart").count() == 6
        assert page.locator("svg.chart").nth(1).bounding_box()["width"] > 0.85 * min(size[0], 1280) - 40  # type: ignore[index]


def test_report_reads_values_under_the_pointer_and_zooms(browser: Browser, tmp_path: Path) -> None:
    write_sample(tmp_path / "report.html")
    with opened(browser, (tmp_path / "report.html").as_uri(), (1440, 1000)) as page:
        chart = page.locator("svg.chart").nth(3)
        chart.scroll_into_view_if_needed()
        box = chart.bounding_box()
        assert box is not None
        middle = box["y"] + box["height"] / 2
        page.mouse.move(box["x"] + box["width"] / 2, middle)
        told = page.locator(".readout").inner_text()
        outlet = history(480)["outlet"][240] / 1e5
        assert "2026-03-01 04:0" in told and f"Outlet {outlet:.2f}" in told
        page.mouse.down()
        page.mouse.move(box["x"] + box["width"] * 0.75, middle)
        page.mouse.up()
        first, *_, last = page.locator("svg.chart").first.locator("g.times text").all_text_contents()
        assert first.startswith("2026-03-01 04:0") and last.startswith("2026-03-01 06:0")
        page.get_by_role("button", name="Show all").click()
        assert page.locator("svg.chart").first.locator("g.times text").first.text_content() == "1 Mar"


def write_sample(path: Path) -> None:
    events = [event(400, "changeout-due"), event(410, "surge")]
    write_report(path, skid=hatchery_skid(), trend=history(480), events=events, counts={"used": 1}, title="Sample")


def test_report_is_complete_without_script(browser: Browser, tmp_path: Path) -> None:
    write_sample(tmp_path / "report.html")
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto((tmp_path / "report.html").as_uri())
    assert page.locator("svg.chart").count() == 6 and page.get_by_text("changeout due 1.00 bar").count() == 1
    context.close()


