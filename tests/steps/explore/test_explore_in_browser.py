"""The page to explore in a real browser, at phone and desk width: a zone chosen, a slider moved, by hand and by key."""

import json

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

from tests.in_browser import WIDTHS, opened
from tests.steps.explore.test_explore_step import data_of

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module", params=WIDTHS)
def browser(request, explored):
    with opened(explored / "explore.html", request.param) as driver:
        WebDriverWait(driver, 20).until(
            lambda d: d.execute_script("return document.querySelectorAll('.plot svg').length") > 5
        )
        yield driver


def zone_on(browser):
    return browser.find_element(By.ID, "zone-title").text.removeprefix("Zone ")


def drawn(browser, part="section"):
    """Beam that is moved, and how many dead stretches, as they are drawn."""
    return browser.execute_script(
        "const p = document.getElementById(arguments[0]); const thick = p.data.find(t => t.line.width === 3);"
        "return [thick.y, p.layout.shapes.filter(s => s.type === 'rect' && s.fillcolor[0] === '#').length]",
        part,
    )


def test_nothing_is_asked_of_a_network_nothing_is_logged_and_nothing_scrolls_sideways(browser):
    asked = []
    for entry in browser.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            asked.append(message["params"]["request"]["url"])
    assert asked and all(url.startswith(("file:", "data:", "blob:")) for url in asked)
    assert browser.get_log("browser") == []
    assert browser.execute_script("return document.scrollingElement.scrollWidth <= innerWidth")
    assert browser.title.startswith("Yard </script>")


def test_a_slider_moved_shows_at_once_what_the_engine_answered(browser, explored):
    zone = next(z for z in data_of(explored)["zones"] if z["zone"] == "F01-Z008")
    Select(browser.find_element(By.ID, "zone")).select_by_visible_text(zone["zone"])
    assert zone_on(browser) == zone["zone"]
    for tx, rx in ((0, 0), (len(zone["tx"]) - 1, 0), tuple(zone["now"])):
        for end, at in (("tx", tx), ("rx", rx)):
            slider = browser.find_element(By.ID, end)
            slider.send_keys(Keys.HOME)
            for _ in range(at):
                slider.send_keys(Keys.ARROW_RIGHT)
        case = zone["cases"][tx * len(zone["rx"]) + rx]
        said = browser.find_element(By.ID, "answer").text
        for threat, length in case["length"].items():
            assert f"{threat} {length:.1f} m" in said if length else f"{threat} none" in said
        assert f"Largest crawl gap {case['most']:.2f} m" in said or case["most"] >= 2.99
        assert browser.find_element(By.ID, "tx-value").text == f"{zone['tx'][tx]:.2f} m"
        levels, stretches = drawn(browser)
        assert levels == pytest.approx([zone["posts"][0] + zone["tx"][tx], zone["posts"][1] + zone["rx"][rx]])
        assert stretches == sum(len(runs) for runs in case["dead"].values())
    assert "Heads as planned" in said
    answers = {json.dumps(case["length"]) for case in zone["cases"]}
    assert len(answers) > 1, "heights are to make a difference in this zone"


def test_a_person_to_scale_lies_in_the_dead_stretch(browser, explored):
    data = data_of(explored)
    zone = next(z for z in data["zones"] if z["zone"] == data["first"])
    Select(browser.find_element(By.ID, "zone")).select_by_visible_text(zone["zone"])
    browser.find_element(By.ID, "now").click()
    case = zone["cases"][zone["now"][0] * len(zone["rx"]) + zone["now"][1]]
    threat = next(t for t in data["threats"] if case["dead"][t["name"]])
    shape = browser.execute_script("return document.getElementById('close').layout.shapes[0]")
    assert shape["x1"] - shape["x0"] == pytest.approx(threat["width"])
    assert shape["y1"] - shape["y0"] == pytest.approx(threat["height"])
    middle = (shape["x0"] + shape["x1"]) / 2
    assert any(a <= middle <= b for a, b in case["dead"][threat["name"]])
    per_metre = browser.execute_script(
        "const l = document.getElementById('close')._fullLayout;"
        "return [l.xaxis._length / (l.xaxis.range[1] - l.xaxis.range[0]),"
        " l.yaxis._length / (l.yaxis.range[1] - l.yaxis.range[0])]"
    )
    assert per_metre[0] == pytest.approx(per_metre[1], rel=0.01)


def test_a_zone_is_chosen_by_a_click_on_the_map(browser, explored):
    data = data_of(explored)
    for name in ("F01-Z003", "F01-Z006"):
        ring = next(z["at"] for z in data["map"]["zones"] if z["zone"] == name)
        x, y = (sum(values[:4]) / 4 for values in ring)
        spot = browser.execute_script(
            "const p = document.getElementById('map'), l = p._fullLayout; p.scrollIntoView();"
            "const box = p.getBoundingClientRect();"
            "return [box.left + l.xaxis._offset + l.xaxis.d2p(arguments[0]),"
            " box.top + l.yaxis._offset + l.yaxis.d2p(arguments[1])]",
            x,
            y,
        )
        actions = webdriver.ActionChains(browser)
        actions.w3c_actions.pointer_action.move_to_location(*(round(v) for v in spot))
        actions.w3c_actions.pointer_action.pause(0.3)
        actions.w3c_actions.pointer_action.click()
        actions.perform()
        WebDriverWait(browser, 5).until(lambda d, name=name: zone_on(d) == name)


def test_the_keyboard_reaches_every_control(browser):
    browser.refresh()  # a click leaves the browser's own starting point where it was
    WebDriverWait(browser, 20).until(lambda d: d.find_element(By.ID, "answer").text)
    reached = []
    browser.find_element(By.TAG_NAME, "body").send_keys(Keys.TAB)
    for _ in range(6):
        reached.append(browser.switch_to.active_element.get_attribute("id") or "skip")
        browser.switch_to.active_element.send_keys(Keys.TAB)
    assert reached[0] == "skip"
    assert [name for name in reached if name in ("zone", "tx", "rx", "now")] == ["zone", "tx", "rx", "now"]
    slider = browser.find_element(By.ID, "tx")
    slider.send_keys(Keys.END)
    assert slider.get_attribute("aria-valuetext").endswith("metres above ground")
    assert float(slider.get_attribute("aria-valuetext").split()[0]) == pytest.approx(0.45)
    browser.find_element(By.ID, "now").send_keys(Keys.ENTER)
    assert "as planned" in browser.find_element(By.ID, "answer").text
