"""What a look at the disk tells: the site file that runs, and the room of the archive."""

import shutil
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from gateway.archive.store import Store
from gateway.service.surroundings import Surroundings
from gateway.site.installed import Site
from gateway.site.read import digest_of, read

CONFIG = Path(__file__).parents[2] / "config"
MiB = 2**20


def installed(directory: Path) -> tuple[Path, Site]:
    shutil.copytree(CONFIG / "profiles", directory / "profiles")
    path = directory / "site.yaml"
    shutil.copy(CONFIG / "demo.yaml", path)
    return path, read(path)[0]


def test_digest_is_of_the_site_file_and_the_profiles_it_uses(tmp_path: Path) -> None:
    """The digest changes with any byte of what the site was read from, and with nothing else."""
    path, site = installed(tmp_path)
    assert {path, *(path.parent / "profiles" / f"{p}.yaml" for p in site.profiles)} == {*site.files}
    (tmp_path / "profiles" / "unused.yaml").write_text("profile: unused")
    assert site.digest == digest_of(site.files) == read(path)[0].digest
    seen = {site.digest}
    for file in site.files:
        file.write_bytes(file.read_bytes() + b"# \n")
        seen.add(read(path)[0].digest)
    assert 1 + len(site.files) == len(seen)


async def test_another_site_file_on_disk_is_told(tmp_path: Path) -> None:
    """Changed, it is told once; gone counts as changed; put back, that is told, too."""
    path, site = installed(tmp_path)
    store = await Store.open(tmp_path / "a.db", max_size_bytes=MiB)
    surroundings = Surroundings(site, store)
    own = path.read_bytes()
    told = []
    with capture_logs() as lines:
        for content in (own, None, own, own + b"#", own + b"#", own):
            if content is None:
                path.unlink()
            else:
                path.write_bytes(content)
            surroundings.look()
            told.append(surroundings.configuration_changed)
    await store.close()
    assert [False, True, False, True, True, False] == told
    assert 4 == len(lines)


async def test_a_site_file_that_cannot_be_read_now_changes_no_answer(tmp_path: Path) -> None:
    """A look that fails leaves the last answer: not knowing is not a change."""
    path, site = installed(tmp_path)
    store = await Store.open(tmp_path / "a.db", max_size_bytes=MiB)
    surroundings = Surroundings(site, store)
    path.unlink()
    path.mkdir()  # cannot be read as a file, whoever asks
    surroundings.look()
    await store.close()
    assert not surroundings.configuration_changed


async def test_room_is_free_disk_over_what_the_archive_may_grow(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A limit beyond the disk leaves less room than one; a small limit has all of it."""
    _, site = installed(tmp_path)
    disk = shutil.disk_usage(tmp_path)
    for limit, expected in ((MiB, 1.0), (10 * disk.free, 0.1)):
        store = await Store.open(tmp_path / f"{limit}.db", max_size_bytes=limit)
        surroundings = Surroundings(site, store)
        surroundings.look()
        await store.close()
        assert expected == pytest.approx(surroundings.archive_room, abs=0.02)
