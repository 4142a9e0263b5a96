"""The same study, options and seed give the same bytes in every file, whatever hashes differ."""

from pathlib import Path


def _contents(folder: Path) -> dict[str, bytes]:
    files = (path for path in sorted(folder.rglob("*")) if path.is_file())
    return {path.relative_to(folder).as_posix(): path.read_bytes() for path in files}


def test_two_processes_write_the_same_bytes(reports):
    first, second = map(_contents, reports)
    assert first.keys() == second.keys()
    assert len(first) > 50
    assert [name for name in first if first[name] != second[name]] == []
