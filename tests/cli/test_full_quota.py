"""Output that the system refuses because a quota is full is told as on a full disk, not as a fault of ours."""

import errno

import pytest

from geotools import cli
from geotools.errors import OutputError


@pytest.mark.parametrize("number", [errno.EDQUOT, errno.ENOSPC])
def test_a_full_quota_is_no_fault_of_ours(monkeypatch, number):
    def refuse(**_):
        raise OSError(number, "refused")

    said = []
    monkeypatch.setenv("PYTHONSAFEPATH", "1")
    for name in ("prepare_process", "few_heaps", "rare_collections"):
        monkeypatch.setattr(cli, name, lambda: None)
    monkeypatch.setattr(cli, "cli", refuse)
    monkeypatch.setattr(cli, "fail", lambda problem, as_json: said.append(problem))
    cli.main()
    assert isinstance(said[0], OutputError) and "could not be written" in said[0].what
