"""The pages in a real browser: each says its sentence, nothing leaves the machine, nothing scrolls sideways."""

from __future__ import annotations

import json
import shutil
import threading
from collections.abc import Iterator
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webdriver import WebDriver
from selenium.webdriver.support.ui import WebDriverWait

from dashboard import app, look
from dashboard.commands.showing import HOST, free_port, listening
from tests.dashboard import story

pytestmark = pytest.mark.browser

SENTENCES = {
    "/": "Not the weather: the cabin array has given 78 % of what the light allowed since 16 June",
    "/harvest": "In 14 days she got 66.8 kWh of the 80.4 kWh that the light allowed",
    "/wiring": "One run holds back more than its copper should: gantry home run since 13 June",
    "/enclosure": "The fan of the electrics box has made no difference since 14 June.",
    "/findings": "Three notices are in force",
}
FIGURES = {"/": 0, "/harvest": 5, "/wiring": 2, "/enclosure": 2, "/findings": 0}
WIDTHS = {1280: 900, 390: 844}
ARGUMENTS = (
    "--headless=new --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync --force-prefers-reduced-motion"
)


@pytest.fixture(scope="module")
def address(told: story.Story) -> Iterator[str]:
    """The pages, served as the command serves them."""
    port = free_port(18_050)
    server = listening(app.create_app(told.store, told.settings, story.NOW), HOST, port)
    thread = threading.Thread(target=server.run, name="pages")
    thread.start()
    yield f"http://{HOST}:{port}"
    server.close()
    server.task_dispatcher.shutdown()
    thread.join(10)


@pytest.fixture(scope="module")
def browser(tmp_path_factory: pytest.TempPathFactory) -> Iterator[WebDriver]:
    """Headless Chromium with a profile of its own."""
    chromium, driver = shutil.which("chromium"), shutil.which("chromedriver")
    assert chromium, "chromium is not on the path"
    assert driver, "chromedriver is not on the path"
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for argument in [*ARGUMENTS.split(), f"--user-data-dir={tmp_path_factory.mktemp('profile')}"]:
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    found = webdriver.Chrome(options=options, service=Service(driver))
    yield found
    found.quit()


def visit(browser: WebDriver, address: str, path: str, width: int = 1280) -> None:
    """Open a page afresh and wait until its sentence and all its figures stand."""
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": WIDTHS[width], "deviceScaleFactor": 1, "mobile": width < 600},
    )
    browser.get(address + path)
    until(browser, lambda: browser.find_elements(By.CSS_SELECTOR, "h1.sentence"))
    drawn = FIGURES.get(path.partition("?")[0].partition("#")[0], 0)
    until(browser, lambda: len(browser.find_elements(By.CSS_SELECTOR, "figure .main-svg .xy, figure .legend")) >= drawn)
    until(
        browser, lambda: len(browser.find_elements(By.CSS_SELECTOR, "figure .js-plotly-plot .plot-container")) == drawn
    )


def until(browser: WebDriver, condition: Any) -> Any:
    return WebDriverWait(browser, 30, poll_frequency=0.1).until(lambda _: condition())


def sentence(browser: WebDriver) -> str:
    return texts(browser, "h1.sentence")[0]


def texts(browser: WebDriver, selector: str) -> list[str]:
    """Read in one go: React may put new elements in the place of old ones at any moment."""
    found: list[str] = browser.execute_script(
        "return [...document.querySelectorAll(arguments[0])].map(e => e.textContent)", selector
    )
    return [text.replace("\u00a0", " ") for text in found] or [""]


def drain(browser: WebDriver) -> tuple[list[str], list[str]]:
    """Console complaints and addresses asked for since the last time."""
    complaints = [entry["message"] for entry in browser.get_log("browser") if entry["level"] in ("SEVERE", "WARNING")]
    asked = []
    for entry in browser.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            asked.append(message["params"]["request"]["url"])
        elif message["method"] == "Network.webSocketCreated":
            asked.append(message["params"]["url"])
    return complaints, asked


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("path", SENTENCES)
def test_a_page_says_its_sentence_quietly_and_fits(browser: WebDriver, address: str, path: str, width: int) -> None:
    """The sentence, all figures, no complaint, no request off the machine, no sideways scrolling; on desk and phone."""
    drain(browser)
    visit(browser, address, path, width)
    assert SENTENCES[path] in sentence(browser)
    complaints, asked = drain(browser)
    assert complaints == []
    # What the browser shows before the first page is its own.
    strays = [url for url in asked if not url.startswith((address, "data:", "chrome:", "chrome-untrusted:"))]
    assert strays == []
    assert any(url.startswith(address) for url in asked)
    wide = browser.execute_script("return [document.documentElement.scrollWidth, window.innerWidth]")
    assert wide[0] <= wide[1] == width
    assert browser.title.replace("\u00a0", " ").startswith("Noonmark: " + SENTENCES[path][:30])


def test_findings_show_every_fault(browser: WebDriver, address: str) -> None:
    """All three notices in force are on the page, and a link from *Now* leads to each by its number."""
    visit(browser, address, "/findings")
    heads = texts(browser, ".notice.standing h3")
    assert [head.split(":")[0] for head in heads] == [
        "No. 2 Gantry home run", "No. 3 Fan of the electrics box", "No. 4 Cabin array",
    ]  # fmt: skip
    visit(browser, address, "/")
    link = browser.find_element(By.CSS_SELECTOR, "ol.acts > li:nth-child(3) a")
    # As a person would, who scrolls until the line stands clear of the words at the bottom.
    browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", link)
    link.click()
    until(browser, lambda: "notices are in force" in sentence(browser))
    until(
        browser,
        lambda: browser.execute_script(
            "const r = document.getElementById('notice-4').getBoundingClientRect();"
            "return r.top >= 0 && r.top < window.innerHeight"
        ),
    )


def test_the_words_lead_to_every_page(browser: WebDriver, address: str) -> None:
    """A plain line of words, the present page marked."""
    visit(browser, address, "/")
    for page in app.PAGES[1:]:
        browser.find_element(By.LINK_TEXT, page.NAME).click()
        until(browser, lambda page=page: SENTENCES[page.PATH] in sentence(browser))
        assert texts(browser, "nav a.here") == [page.NAME]


def test_noon_stands_in_the_middle_of_the_drawing(browser: WebDriver, address: str) -> None:
    """On the screen too the noon line is as far from the one end as from the other."""
    visit(browser, address, "/harvest")
    halves = browser.execute_script(
        "const plot = document.querySelector('figure .plot-container');"
        "const area = plot.querySelector('.bglayer .bg, .plotbg, .xy > .bg') || plot.querySelector('.nsewdrag');"
        "const box = area.getBoundingClientRect();"
        "const lines = [...plot.querySelectorAll('.layer-above .shapelayer path')].map(p => p.getBoundingClientRect());"
        "const noon = lines.find(b => b.height > 0.9 * box.height);"
        "return [noon.left - box.left, box.right - noon.right]"
    )
    assert halves[0] == pytest.approx(halves[1], abs=2)


def test_the_palette_is_chosen_by_thumb_and_remembered(browser: WebDriver, address: str) -> None:
    """At the bottom of a phone, large enough to touch; paper and figures change, and the next page opens in it."""
    visit(browser, address, "/harvest", 390)
    button = browser.find_element(By.CSS_SELECTOR, "#palettes button[data-palette=night]")
    box = button.rect
    assert box["height"] >= 44
    assert browser.execute_script("return arguments[0].getBoundingClientRect().bottom", button) <= WIDTHS[390]
    drain(browser)
    button.click()
    pen = look.PALETTES["night"]["pen"]
    until(browser, lambda: _rgb(pen) in _strokes(browser))
    assert all(url.startswith("data:") for url in drain(browser)[1]), "a change of palette asks nothing of the server"
    paper = "return getComputedStyle(document.body).backgroundColor"
    assert browser.execute_script(paper) == _rgb(look.PALETTES["night"]["paper"])
    visit(browser, address, "/wiring")
    until(browser, lambda: _rgb(pen) in _strokes(browser))
    assert browser.execute_script(paper) == _rgb(look.PALETTES["night"]["paper"])
    browser.find_element(By.CSS_SELECTOR, "#palettes button[data-palette=day]").click()
    until(browser, lambda: _rgb(look.PALETTES["day"]["pen"]) in _strokes(browser))


def _strokes(browser: WebDriver) -> list[str]:
    found: list[str] = browser.execute_script(
        "return [...document.querySelectorAll('figure path.js-line')].map(p => p.style.stroke)"
    )
    return found


def _rgb(colour: str) -> str:
    return f"rgb({', '.join(str(int(colour[i : i + 2], 16)) for i in (1, 3, 5))})"


def test_plotly_shows_none_of_its_own_furniture(browser: WebDriver, address: str) -> None:
    """No tool bar, no logo, no button that sends a figure away."""
    visit(browser, address, "/enclosure")
    assert browser.find_elements(By.CSS_SELECTOR, ".modebar-btn, .plotlyjsicon") == []


def test_the_almanac_reads_as_paragraphs_on_a_phone(browser: WebDriver, address: str) -> None:
    """Each row says what its numbers are, and the notes follow the day's lines."""
    visit(browser, address, "/harvest", 390)
    day = browser.find_element(By.CSS_SELECTOR, ".almanac tbody:nth-of-type(9)")
    tops = browser.execute_script(
        "return ['.c-day', 'tr:nth-child(1) .c-got', 'tr:nth-child(2) .c-got', '.notes-below a']"
        ".map(s => arguments[0].querySelector(s).getBoundingClientRect().top)",
        day,
    )
    assert tops == sorted(tops)
    assert len(set(tops)) == len(tops)
    label = "return getComputedStyle(arguments[0], '::before').content"
    got = day.find_element(By.CSS_SELECTOR, ".c-got")
    assert browser.execute_script(label, got).strip('"') == "got "
