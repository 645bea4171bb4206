"""The page to explore in a real browser, at phone and desk width: zone, state, heights and views, by hand and by key.

Red when a control shows something else than the page's data, cannot be reached, or axe-core has a finding.
"""

import json
import re
import shutil
import subprocess
import tarfile

import pytest
from selenium import webdriver
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select, WebDriverWait

import geotools
from geotools.engine.runner import run_site
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
    # what the browser says of its own drawing is not of the page: without a graphics card 3D is drawn in software
    assert [entry for entry in browser.get_log("browser") if entry["source"] != "rendering"] == []
    assert browser.execute_script("return document.scrollingElement.scrollWidth <= innerWidth")
    assert browser.title.startswith("Yard </script>")


def test_a_slider_moved_shows_at_once_what_the_engine_answered(browser, explored):
    zone = max(data_of(explored)["zones"], key=lambda z: len({json.dumps(case["length"]) for case in z["cases"]}))
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


def planned(zone):
    """The answer at the heights of the plan."""
    return zone["cases"][zone["now"][0] * len(zone["rx"]) + zone["now"][1]]


def pressed(browser, name, value):
    """A choice made in a list by its value, as a person at the keyboard makes it."""
    Select(browser.find_element(By.ID, name)).select_by_value(value)


def traces_of(browser, part, *fields):
    return browser.execute_script(
        "const [part, fields] = arguments; return document.getElementById(part).data.map("
        "t => Object.fromEntries(fields.map(f => [f, t[f]])));",
        part,
        fields,
    )


def test_after_the_remedy_section_and_words_are_those_of_the_proposed_state(browser, explored):
    zone = max(data_of(explored)["zones"], key=lambda z: planned(z)["length"]["prone"])
    Select(browser.find_element(By.ID, "zone")).select_by_visible_text(zone["zone"])
    before = traces_of(browser, "section", "name", "y")
    assert before[0]["y"] == pytest.approx(zone["ground"])
    browser.find_element(By.ID, "before").send_keys(Keys.ARROW_RIGHT)
    (part,) = zone["after"]
    said = browser.find_element(By.ID, "answer").text
    assert "prone none" in said
    assert f"prone {planned(zone)['length']['prone']:.1f} m" in said.split("As planned: ")[1]
    assert f"Largest crawl gap {part['most']:.2f} m" in said
    after = traces_of(browser, "section", "name", "y")
    assert after[0]["y"] == pytest.approx(part["ground"])
    assert after[1]["y"] == pytest.approx([g + gap / 100 for g, gap in zip(part["ground"], part["gap"], strict=True)])
    assert not browser.find_element(By.ID, "move").is_displayed()
    browser.find_element(By.ID, "after").send_keys(Keys.ARROW_LEFT)
    assert browser.find_element(By.ID, "move").is_displayed()


def test_the_strip_stands_in_three_dimensions_and_its_heights_are_drawn_as_large_as_wished(browser, explored):
    data = data_of(explored)
    zone = next(z for z in data["zones"] if z["zone"] == data["first"])
    Select(browser.find_element(By.ID, "zone")).select_by_visible_text(zone["zone"])
    browser.find_element(By.ID, "higher").send_keys(Keys.HOME)  # it is drawn once it comes into view
    WebDriverWait(browser, 10).until(lambda d: "drawn 1 times" in d.find_element(By.ID, "relief-note").text)
    scene = "return document.getElementById('relief').layout.scene"
    relief = zone["relief"]

    def ratio():
        found = browser.execute_script(scene)["aspectratio"]
        return found["z"] / found["x"]

    def drawn_at(times):
        slider = browser.find_element(By.ID, "higher")
        slider.send_keys(Keys.HOME)
        for _ in range(times - 1):
            slider.send_keys(Keys.ARROW_RIGHT)
        words = f"Heights are drawn {times} times"
        WebDriverWait(browser, 10).until(lambda d: words in d.find_element(By.ID, "relief-note").text)
        return ratio()

    once = drawn_at(1)
    height, length = browser.execute_script(
        "const s = document.getElementById('relief').layout.scene;"
        "return [s.zaxis.range[1] - s.zaxis.range[0], s.xaxis.range[1] - s.xaxis.range[0]]"
    )
    assert once == pytest.approx(height / length)
    assert drawn_at(12) == pytest.approx(12 * once)
    ground, *others = traces_of(browser, "relief", "type", "x", "y", "z")
    assert ground["type"] == "surface" and {t["type"] for t in others} == {"scatter3d", "surface", "mesh3d"}
    assert ground["z"][3][7] == pytest.approx(relief["base"] + relief["ground"][7][3] / 100)
    body = next(t for t in others if t["type"] == "mesh3d")
    threat = next(t for t in data["threats"] if planned(zone)["dead"][t["name"]])
    assert max(body["z"]) - min(body["z"]) == pytest.approx(threat["height"])
    eye = browser.execute_script(scene)["camera"]["eye"]
    browser.find_element(By.ID, "turn").send_keys(Keys.END)
    WebDriverWait(browser, 10).until(lambda d: d.execute_script(scene)["camera"]["eye"] != eye)


def test_windows_and_reach_are_on_the_map_and_beside_the_zone(browser, explored):
    held = data_of(explored)["nuisance"]
    pressed(browser, "view", "windows")
    assert "window empty" in browser.find_element(By.ID, "legend").text
    lines = [t for t in traces_of(browser, "map", "x", "line") if t["line"] and t["line"].get("width") == 7]
    assert sum(t["x"].count(None) for t in lines) == len(held["windows"])
    pressed(browser, "view", "reach lorry")
    named = [t["name"] for t in traces_of(browser, "map", "name") if t["name"] and "outside" in t["name"]]
    assert len(named) == len(held["movers"]["lorry"]["areas"])
    assert "Ground on which this mover reaches" in browser.find_element(By.ID, "view-note").text
    pressed(browser, "view", "verdicts")
    for name, window in held["windows"].items():
        Select(browser.find_element(By.ID, "zone")).select_by_visible_text(name)
        said = browser.find_element(By.ID, "window-note").text
        assert f"Window {window['state']}" in said and str(window["must_threat"]) in said
        assert f"Where the beam stands: {held['standoffs'][name]}" in said
        (band,) = browser.execute_script(
            "return document.getElementById('window').layout.shapes.filter(s => s.type === 'rect')"
            ".map(s => [s.x0, s.x1])"
        )
        ends = sorted(max(window[end], 0.005) for end in ("must", "must_not"))
        assert band == pytest.approx(ends)
        assert (window["set_to"] is not None) == ("Threshold to set" in said)


def test_changes_tried_for_a_window_stand_in_a_table(explored, tmp_path):
    text = (explored / "explore.html").read_text("utf-8")
    data = data_of(explored)
    tried = {"words": "set both low heads to 0.20 m", "state": "narrow", "must_not": 0.2, "must": 0.27, "set_to": None}
    data["nuisance"]["options"] = [{"zone": data["first"], **tried, "cost": 240.0, "recommended": True}]
    start = text.index('id="data">') + len('id="data">')
    page = tmp_path / "explore.html"
    held = json.dumps(data).replace("<", "\\u003c")
    page.write_text(text[:start] + held + text[text.index("</script>", start) :], encoding="utf-8")
    with opened(page, WIDTHS[1]) as driver:
        WebDriverWait(driver, 20).until(lambda d: d.find_element(By.ID, "answer").text)
        table = driver.find_element(By.CSS_SELECTOR, "#window-options table")
        cells = [cell.text for cell in table.find_elements(By.CSS_SELECTOR, "tbody th, tbody td")]
        assert cells == [tried["words"], "narrow", "0.20", "0.27", "\u2013", "240 EUR", "yes"]
        assert table.size["width"] > 1000, "seven columns want the page's width"


def test_prices_works_and_what_is_unproven_can_be_read(browser, explored):
    data = data_of(explored)
    zone_id, held = next(
        (z, h) for z, h in data["summary"].items() if h["options"] and "unproven" in (h["lengths"] or {})
    )
    Select(browser.find_element(By.ID, "zone")).select_by_visible_text(zone_id)
    option = next(o for o in held["options"] if o["recommended"])
    assert option["reason"] in browser.find_element(By.ID, "built").text
    assert f"{option['cost']:,.0f} EUR" in browser.find_element(By.ID, "built").text
    assert f"unproven {held['lengths']['unproven']:.1f} m" in browser.find_element(By.ID, "open").text
    whole = sum(part["amount"] for part in data["bill"]["parts"])
    assert f"{whole:,.0f} EUR" in browser.find_element(By.ID, "cost").text
    assert "rests on placeholder prices" in browser.find_element(By.ID, "cost").text


def contrast(colour):
    """Contrast of a colour as the browser names it against white: WCAG 2.2, relative luminance (from memory)."""
    parts = [int(v) / 255 for v in re.findall(r"\d+", colour)[:3]]
    linear = [v / 12.92 if v <= 0.03928 else ((v + 0.055) / 1.055) ** 2.4 for v in parts]
    return 1.05 / (0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2] + 0.05)


@pytest.fixture(scope="session")
def axe(tmp_path_factory):
    """The script of axe-core, from its package."""
    folder = tmp_path_factory.mktemp("axe")
    subprocess.run(["npm", "pack", "axe-core@4", "--silent"], cwd=folder, check=True, capture_output=True)
    (package,) = folder.glob("axe-core-*.tgz")
    with tarfile.open(package) as held:
        return held.extractfile("package/axe.min.js").read().decode()


def test_axe_has_no_serious_finding(browser, axe):
    browser.execute_script(axe)
    found = browser.execute_async_script("axe.run(document).then(arguments[0], e => arguments[0](String(e)))")
    assert len(found["passes"]) > 20
    assert [(v["id"], v["nodes"][0]["html"][:120]) for v in found["violations"]] == []
    # it cannot judge text in drawings: done here
    assert {v["id"] for v in found["incomplete"]} <= {"color-contrast"}
    colours = browser.execute_script(
        "return [...new Set([...document.querySelectorAll('.plot svg text')].filter(t => t.textContent)"
        ".map(t => getComputedStyle(t).fill))]"
    )
    assert colours and all(contrast(colour) >= 4.5 for colour in colours), colours


def test_a_zone_is_chosen_in_the_table_by_the_keyboard(browser):
    button = browser.find_elements(By.CSS_SELECTOR, "#all button")[2]
    button.send_keys(Keys.ENTER)
    assert zone_on(browser) == "F01-Z003"
    assert button.get_attribute("aria-current") == "true"
    assert browser.switch_to.active_element.get_attribute("id") == "zone-part"


def test_a_plan_before_gaps_says_what_to_run(laid_out, tmp_path):
    shutil.copytree(laid_out, tmp_path / "demo")
    site = geotools.open_site(tmp_path / "demo" / "input" / "site.toml")
    run_site(site, tmp_path / "demo" / "out", steps=["explore"])
    with opened(tmp_path / "demo" / "out" / "explore.html", WIDTHS[1]) as driver:
        WebDriverWait(driver, 20).until(lambda d: d.find_element(By.ID, "answer").text)
        said = driver.find_element(By.TAG_NAME, "main").text
        assert "run geotools gaps" in said and "run geotools remedy" in said and "run geotools window" in said
        assert not driver.find_element(By.ID, "cost-part").is_displayed()
        assert not driver.find_element(By.ID, "after").is_enabled()
        assert [entry for entry in driver.get_log("browser") if entry["source"] != "rendering"] == []


def test_the_keyboard_reaches_every_control(browser):
    browser.refresh()  # a click leaves the browser's own starting point where it was
    WebDriverWait(browser, 20).until(lambda d: d.find_element(By.ID, "answer").text)
    reached = []
    browser.find_element(By.TAG_NAME, "body").send_keys(Keys.TAB)
    for _ in range(18):
        reached.append(browser.switch_to.active_element.get_attribute("id") or "skip")
        browser.switch_to.active_element.send_keys(Keys.TAB)
    assert reached[0] == "skip"
    named = ["view", "zone", "before", "tx", "rx", "now", "higher", "turn"]
    assert [name for name in reached if name in named] == named
    slider = browser.find_element(By.ID, "tx")
    slider.send_keys(Keys.END)
    assert slider.get_attribute("aria-valuetext").endswith("metres above ground")
    assert float(slider.get_attribute("aria-valuetext").split()[0]) == pytest.approx(0.45)
    browser.find_element(By.ID, "now").send_keys(Keys.ENTER)
    assert "Heads as planned" in browser.find_element(By.ID, "answer").text
