"""Many sites: outcomes, failure beside success, going on after a kill, the combined plan, the same on one or many."""

from __future__ import annotations

import csv
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from html import escape
from pathlib import Path

import pyogrio
import pytest
from click.testing import CliRunner

from geotools.cli import cli
from geotools.cli.batch.manifest import Entry, folder_name, read_manifest
from geotools.cli.batch.many import run_batch
from geotools.engine.workers import LocalWorkers
from geotools.errors import InputError, OutputError, SiteError
from tests.faults.site import digest, make_site, start
from tests.shared import made_once
from tests.validator import complaints

STEPS = ["inspect", "layout"]


@pytest.fixture(scope="module")
def sites(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three good sites and a bad one between them; nobody may change them."""

    def make(folder: Path) -> None:
        for name in ("alpha", "beta", "gamma"):
            make_site(folder / name, f"{name} yard")
        broken = make_site(folder / "broken", "Broken yard")
        (broken.parent / "terrain.tif").write_bytes(b"no raster")

    return made_once(tmp_path_factory, "batch_sites", make)


@pytest.fixture(scope="module")
def laid_out(sites: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a batch of those sites, through layout in one process; copy before changing."""
    return made_once(
        tmp_path_factory, "batch_laid_out", lambda folder: run_batch(read_manifest(sites), folder, steps=STEPS)
    )


def read_table(path: Path) -> list[dict[str, str]]:
    with open(path, encoding="utf-8-sig", newline="") as stream:
        return list(csv.DictReader(stream))


def test_one_failure_stops_no_other_and_is_told(sites: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(
        cli, ["batch", str(sites), "--out", str(tmp_path), "--steps", "inspect", "--workers", "1"]
    )
    assert done.exit_code == 8, done.output
    rows = {row["site"]: row for row in read_table(tmp_path / "outcomes.csv")}
    assert {name: row["state"] for name, row in rows.items()} == {
        "alpha": "done", "beta": "done", "broken": "failed", "gamma": "done",
    }  # fmt: skip
    assert rows["broken"]["exit_code"] == "3" and "cannot be read" in rows["broken"]["problem"]
    assert "3 done, 1 failed" in done.output and "Traceback" not in done.output


def test_a_batch_whose_only_site_fails_says_so_and_no_more(sites: Path, tmp_path: Path) -> None:
    done = CliRunner().invoke(
        cli, ["batch", str(sites / "broken"), "--out", str(tmp_path), "--steps", "inspect", "--workers", "1"]
    )
    assert done.exit_code == 8, done.output
    assert "1 failed" in done.output
    assert [row["state"] for row in read_table(tmp_path / "outcomes.csv")] == ["failed"]
    assert list(pyogrio.read_dataframe(tmp_path / "batch.gpkg", layer="batch_sites")["state"]) == ["failed"]


def test_combined_plan_holds_every_site(laid_out: Path) -> None:
    zones = pyogrio.read_dataframe(laid_out / "batch.gpkg", layer="zones")
    assert sorted(set(zones["site"])) == ["alpha", "beta", "gamma"]
    single = pyogrio.read_dataframe(laid_out / "sites" / "beta" / "plan.gpkg", layer="zones")
    mine = zones[zones["site"] == "beta"].reset_index(drop=True)
    assert mine["zone_id"].tolist() == single["zone_id"].tolist()
    assert mine.geometry.geom_equals(single.geometry).all()


@pytest.mark.validator
def test_combined_plan_is_valid(laid_out: Path) -> None:
    assert complaints(laid_out / "batch.gpkg") == ""


def test_two_workers_give_the_same_bytes_as_one(sites: Path, laid_out: Path, tmp_path: Path) -> None:
    entries = read_manifest(sites)
    workers = LocalWorkers(2)
    try:
        run_batch(entries, tmp_path, steps=STEPS, workers=workers)
    finally:
        workers.close()
    for name in ("alpha", "beta", "gamma"):
        plans = [way / "sites" / name / "plan.gpkg" for way in (laid_out, tmp_path)]
        assert digest(plans[0]) == digest(plans[1])
    assert digest(laid_out / "batch.gpkg") == digest(tmp_path / "batch.gpkg")
    assert (laid_out / "outcomes.csv").read_bytes() == (tmp_path / "outcomes.csv").read_bytes()


def test_resume_keeps_what_is_done_and_redoes_what_changed(sites: Path, tmp_path: Path) -> None:
    own = tmp_path / "sites"
    for name in ("a", "b"):
        make_site(own / name, name)
    entries, out = read_manifest(own), tmp_path / "out"
    steps = ["inspect"]
    run_batch(entries, out, steps=steps)
    with pytest.raises(OutputError, match="batch already"):
        run_batch(entries, out, steps=steps)
    before = {name: (out / "sites" / name / "plan.gpkg").stat().st_mtime_ns for name in ("a", "b")}
    site = own / "b" / "site.toml"
    site.write_text(site.read_text().replace("setback_m = 4.0", "setback_m = 5.0"))
    again = run_batch(entries, out, steps=steps, resume=True)
    assert [r.state for r in again.sites] == ["kept", "done"]
    after = {name: (out / "sites" / name / "plan.gpkg").stat().st_mtime_ns for name in ("a", "b")}
    assert after["a"] == before["a"] and after["b"] != before["b"]


def test_a_killed_batch_is_taken_up_without_repeating(tmp_path: Path) -> None:
    own = tmp_path / "sites"
    for number in range(4):
        make_site(own / f"s{number}", f"s{number}")
    out = tmp_path / "out"
    words = [str(own), "--out", str(out), "--steps", "inspect,layout"]
    process = start("geotools", "batch", *words, "--workers", "2", "--json")
    assert process.stdout is not None
    done = []
    for line in process.stdout:
        done.append(json.loads(line)["site"])
        if len(done) == 1:
            os.kill(process.pid, signal.SIGKILL)
            break
    process.wait()
    time.sleep(0.5)  # the workers notice that their parent is gone
    resumed = CliRunner().invoke(cli, ["batch", *words, "--workers", "1", "--resume", "--json"])
    assert resumed.exit_code == 0, resumed.output
    states = {
        e["site"]: e["state"] for line in resumed.output.splitlines() if (e := json.loads(line))["event"] == "site"
    }
    assert len(states) == 4 and all(states[name] == "kept" for name in done)
    # what was being worked on when it was killed, and what had not been begun
    taken_up = [entry for entry in read_manifest(own) if states[entry.name] != "kept"]
    assert taken_up
    fresh = run_batch(taken_up, tmp_path / "fresh", steps=STEPS)
    for site in fresh.sites:
        assert digest(out / "sites" / site.folder / "plan.gpkg") == digest(
            fresh.combined.parent / "sites" / site.folder / "plan.gpkg"
        )


def test_manifests_of_every_form_name_the_same_sites(sites: Path, tmp_path: Path) -> None:
    files = {name: os.path.relpath(sites / name / "site.toml", tmp_path) for name in ("alpha", "beta")}
    (tmp_path / "m.toml").write_text("".join(f'[[site]]\nname = "{n}"\nfile = "{f}"\n' for n, f in files.items()))
    (tmp_path / "m.csv").write_text("name,file\r\n" + "".join(f"{n},{f}\r\n" for n, f in files.items()))
    from_toml, from_csv = read_manifest(tmp_path / "m.toml"), read_manifest(tmp_path / "m.csv")
    assert from_toml == from_csv
    assert [(e.name, e.folder) for e in from_toml] == [("alpha", "alpha"), ("beta", "beta")]
    assert all(e.site_file.resolve() == (sites / e.name / "site.toml").resolve() for e in from_toml)


@pytest.mark.parametrize(
    ("name", "text", "kind"),
    [
        ("m.toml", "[[site]]\nfile = 3\n", SiteError),
        ("m.toml", "[[site]]\nfile = 'a'\nnmae = 'b'\n", SiteError),
        ("m.toml", "site = [", InputError),
        ("m.toml", "", SiteError),
        ("m.csv", "path\r\na.toml\r\n", InputError),
        ("m.csv", "file\r\n", InputError),
        ("m.csv", "name,file\r\nx,a.toml\r\nx,b.toml\r\n", InputError),
    ],
)
def test_what_is_no_manifest_is_refused(tmp_path: Path, name: str, text: str, kind: type[Exception]) -> None:
    (tmp_path / name).write_text(text)
    with pytest.raises(kind):
        read_manifest(tmp_path / name)


@pytest.mark.parametrize(
    ("name", "folder"),
    [
        ("North gate", "north-gate"),
        ("../../etc/passwd", "etc-passwd"),
        ("CON", "site-con"),
        ("", "site-"),
        ("Straße <b>x</b>; rm -rf", "strasse-b-x-b-rm-rf"),
        ("a" * 300, "a" * 60),
    ],
)
def test_folder_names_are_harmless(name: str, folder: str) -> None:
    assert folder_name(name) == folder


def test_names_that_harm_elsewhere_are_harmless_here(sites: Path, tmp_path: Path) -> None:
    names = ["'; DROP TABLE zones; --", '=HYPERLINK("http://x")', "<script>alert(1)</script>", "../../up", "a/b\\c"]
    entries = [Entry(n, folder_name(n), sites / "alpha" / "site.toml") for n in names]
    result = run_batch(entries, tmp_path / "out", steps=["inspect"])
    assert result.failed == 0
    assert sorted(set(pyogrio.read_dataframe(result.combined, layer="fence")["site"])) == sorted(names)
    with open(result.table, encoding="utf-8-sig", newline="") as stream:
        cells = [cell for row in csv.reader(stream) for cell in row]
    assert not [cell for cell in cells if cell.startswith(("=", "+", "@"))]
    assert {p.name for p in tmp_path.iterdir()} == {"out"}


def test_two_batches_in_one_folder_are_refused(sites: Path, tmp_path: Path) -> None:
    from geotools.engine.lock import FolderLock

    tmp_path.joinpath("out").mkdir()
    lock = FolderLock(tmp_path / "out")
    try:
        with pytest.raises(OutputError, match="another run is at work"):
            run_batch(read_manifest(sites), tmp_path / "out", steps=STEPS)
    finally:
        lock.release()


def test_workers_load_nothing_from_the_folder_somebody_works_in(sites: Path, tmp_path: Path) -> None:
    """A folder from elsewhere may hold a file that is called like a module of the language."""
    (tmp_path / "multiprocessing.py").write_text(f"open({str(tmp_path / 'trap')!r}, 'w')\n")
    root = Path(__file__).parents[2]
    command = (
        f"import sys; sys.path[0] = {str(root)!r}; from geotools.cli import main; main()"  # as the installed script
    )
    # one site begins one of the workers
    words = ["batch", str(sites / "alpha"), "--out", str(tmp_path / "out"), "--steps", "inspect", "--workers", "2"]
    done = subprocess.run(
        [sys.executable, "-c", command, *words], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert (tmp_path / "out" / "batch.gpkg").exists(), done.stdout + done.stderr
    assert not (tmp_path / "trap").exists()


def test_the_table_says_the_verdicts_of_each_site(sites: Path, laid_out: Path, tmp_path: Path) -> None:
    shutil.copytree(laid_out, tmp_path, dirs_exist_ok=True)
    words = f"batch {sites} --out {tmp_path} --steps inspect,layout,gaps --workers 1 --resume"
    CliRunner().invoke(cli, words.split())
    rows = {row["site"]: row for row in read_table(tmp_path / "outcomes.csv")}
    said = pyogrio.read_dataframe(tmp_path / "sites" / "beta" / "plan.gpkg", layer="verdicts")
    fence = pyogrio.read_dataframe(tmp_path / "sites" / "beta" / "plan.gpkg", layer="fence").length_m.sum()
    worst = said[said.threat == "all"]
    for name in ("detected", "unproven", "undetected", "no_beam"):
        mine = worst[worst.verdict == name]
        assert float(rows["beta"][f"{name}_m"]) == pytest.approx((mine.to_m - mine.from_m).sum(), abs=0.01)
    four = [float(rows["beta"][f"{name}_m"]) for name in ("detected", "unproven", "undetected", "no_beam")]
    assert sum(four) == pytest.approx(fence, abs=0.05)
    assert all(f"{threat}: " in rows["beta"]["verdicts"] for threat in set(said.threat) - {"all"})
    assert rows["broken"]["detected_m"] == "" == rows["broken"]["verdicts"]
    # the worst place is the longest stretch of the worst verdict
    each = said[said.threat != "all"]
    worst_there = next(v for v in ("undetected", "no_beam", "unproven", "detected") if (each.verdict == v).any())
    mine = each[each.verdict == worst_there]
    longest = mine.loc[(mine.to_m - mine.from_m).idxmax()]
    place = rows["beta"]["worst_place"]
    assert place.startswith(f"{worst_there.replace('_', ' ')}, {longest.threat}")
    assert f"{longest.to_m - longest.from_m:.1f} m from {longest.from_m:.1f} m along {longest.fence_id}" in place
    page = (tmp_path / "batch.html").read_text("utf-8")
    assert place in page and 'src="data:image/png;base64,' in page and "Handle as sensitive" in page
    assert all(f">{name}<" in page for name in ("alpha", "beta", "gamma", "broken"))
    # what a run is warned of is on record, and counts also where a later one has nothing to do
    warned = rows["beta"]["warnings"]
    CliRunner().invoke(cli, words.split())
    again = {row["site"]: row for row in read_table(tmp_path / "outcomes.csv")}
    assert again["beta"]["state"] == "kept" and again["beta"]["warnings"] == warned != "0"
    # in words on the page, too
    notes = pyogrio.read_dataframe(tmp_path / "sites" / "beta" / "plan.gpkg", layer="provenance")["notes"].dropna()
    told = [line.removeprefix("warning: ") for text in notes for line in text.splitlines() if "warning: " in line]
    page = (tmp_path / "batch.html").read_text("utf-8")
    assert len(told) == int(warned) and all(escape(text) in page for text in told)


def test_only_stale_begins_no_site_and_links_reports(sites: Path, tmp_path: Path) -> None:
    own, out = tmp_path / "sites", tmp_path / "out"
    for name in ("a", "b"):
        make_site(own / name, name)
    run_batch(read_manifest(own), out, steps=["inspect"])
    make_site(own / "c", "c")
    site = own / "b" / "site.toml"
    site.write_text(site.read_text().replace("setback_m = 4.0", "setback_m = 5.0"))
    (out / "sites" / "a" / "report.html").write_text("a report")
    result = run_batch(read_manifest(own), out, resume="stale")
    assert [r.state for r in result.sites] == ["kept", "done", "left"]
    # nor does it begin a step that had not been run
    assert [r.steps for r in result.sites] == [[], ["inspect"], []]
    assert not (out / "sites" / "c").exists()
    assert '<a href="sites/a/report.html">a</a>' in result.page.read_text("utf-8")
