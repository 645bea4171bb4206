"""The report in a real browser, at phone and desk width; its HTML before a validator; its PDF before poppler."""

import base64
import json
import shutil
import subprocess

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from tests.in_browser import WIDTHS, opened

pytestmark = pytest.mark.browser

CLIPPED = """
const bad = [];
for (const e of document.querySelectorAll('main *, header *, nav *, footer *')) {
  if (e.closest('.scroll') && !e.classList.contains('scroll')) continue;
  if (e.closest('details:not([open])')) continue;
  const style = getComputedStyle(e);
  const scrolls = e.classList.contains('scroll');
  if (!scrolls && e.scrollWidth > e.clientWidth + 1 && e.clientWidth > 0 && style.display !== 'inline')
    bad.push(e.tagName + ': ' + e.textContent.slice(0, 60));
  const box = e.getBoundingClientRect();
  const outside = box.right > innerWidth + 1 || box.left < -1;
  if (box.width && outside) bad.push('outside: ' + e.tagName + ' ' + e.textContent.slice(0, 60));
}
return bad;
"""


@pytest.fixture(scope="module", params=WIDTHS)
def browser(request, reported):
    with opened(reported / "report.html", request.param) as driver:
        yield driver


def test_nothing_is_clipped_and_the_page_does_not_scroll_sideways(browser):
    assert browser.execute_script("return document.scrollingElement.scrollWidth <= innerWidth")
    assert browser.execute_script(CLIPPED) == []


def test_no_request_leaves_the_file_and_nothing_is_logged(browser):
    asked = []
    for entry in browser.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            asked.append(message["params"]["request"]["url"])
    assert asked and all(url.startswith(("file:", "data:")) for url in asked)
    assert browser.get_log("browser") == []


def test_every_drawing_is_shown_in_the_cut_for_this_width(browser):
    width = browser.execute_script("return innerWidth")
    shown = browser.execute_script(
        "return [...document.images].map(i => [i.complete, i.naturalWidth, i.clientWidth, i.alt.length])"
    )
    assert len(shown) > 3
    for complete, natural, client, alt in shown:
        assert complete and alt > 30
        # letters of a drawing are 8.5 pt of its own width: a phone shows the narrow cut, nearly at its own size
        assert 0.7 < client / natural < 2.0, (width, natural, client)


def test_the_keyboard_reaches_everything(browser):
    body = browser.find_element(By.TAG_NAME, "body")
    browser.execute_script("document.activeElement.blur(); scrollTo(0, 0)")
    body.send_keys(Keys.TAB)
    first = browser.switch_to.active_element
    assert first.get_attribute("class") == "skip" and first.rect["x"] >= 0
    first.send_keys(Keys.ENTER)
    assert browser.execute_script("return document.activeElement.id") == "main"
    browser.execute_script("document.activeElement.blur()")
    wanted = browser.execute_script("return document.querySelectorAll('a, summary, .scroll').length")
    seen, most = set(), wanted + 5
    for _ in range(most):
        browser.switch_to.active_element.send_keys(Keys.TAB)
        seen.add(browser.switch_to.active_element.id)
    # tables within a closed fold are reached once it is open
    hidden = browser.execute_script("return document.querySelectorAll('details:not([open]) .scroll').length")
    assert len(seen) >= wanted - hidden - 2
    fold = browser.find_element(By.CSS_SELECTOR, "details summary")
    fold.send_keys(Keys.ENTER)
    assert browser.find_element(By.CSS_SELECTOR, "details").get_attribute("open")
    assert browser.execute_script("return document.scrollingElement.scrollWidth <= innerWidth")
    fold.send_keys(Keys.ENTER)


def test_links_lead_to_their_sheets(browser):
    for link in browser.find_elements(By.CSS_SELECTOR, "nav a")[:3]:
        browser.execute_script("arguments[0].click()", link)
        target = link.get_attribute("href").split("#")[1]
        top = browser.execute_script("return document.getElementById(arguments[0]).getBoundingClientRect().top", target)
        assert -5 <= top < 200


def test_print_gives_whole_sheets(browser, tmp_path):
    printed = browser.print_page()
    (tmp_path / "print.pdf").write_bytes(base64.b64decode(printed))
    text = subprocess.run(
        ["pdftotext", "-layout", tmp_path / "print.pdf", "-"], capture_output=True, text=True, check=True
    )
    assert "Summary" in text.stdout and "How it was computed" in text.stdout
    assert "Skip to the report" not in text.stdout


def test_html_is_valid(reported, tmp_path):
    rules = {"extends": ["html-validate:recommended"], "rules": {"long-title": "off", "no-inline-style": "error"}}
    (tmp_path / ".htmlvalidate.json").write_text(json.dumps(rules))
    shutil.copy(reported / "report.html", tmp_path)
    done = subprocess.run(
        ["npx", "--yes", "html-validate@9", "--formatter", "json", "report.html"],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    said = json.loads(done.stdout or "[]")
    messages = [f"{m['line']}: {m['ruleId']}: {m['message']}" for file in said for m in file["messages"]]
    assert done.returncode == 0 and not messages, messages[:10] or done.stderr


def test_poppler_finds_the_text_of_the_paper(reported):
    text = subprocess.run(
        ["pdftotext", "-layout", reported / "report.pdf", "-"], capture_output=True, text=True, check=True
    )
    for words in ("Summary", "Weakest crossing", "Heads schedule", "walk-test every zone", "How it was computed"):
        assert words in text.stdout
    fonts = subprocess.run(["pdffonts", reported / "report.pdf"], capture_output=True, text=True, check=True).stdout
    embedded = [line.split()[-5] for line in fonts.splitlines()[2:]]
    assert embedded and set(embedded) == {"yes"}
