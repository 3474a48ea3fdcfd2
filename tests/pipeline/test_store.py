"""The store: whole or absent, verified when read."""

from __future__ import annotations

import hashlib
import json
import os
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from nightmill.files import copy_whole, laid_out, sweep_parts, write_json, write_whole
from nightmill.store import DamagedError, Store, canonical, fingerprint, key_of


@pytest.fixture
def store(tmp_path):
    return Store(tmp_path / "store")


def fill(store: Store, key: str = "ab" * 32) -> str:
    with store.make(key, {"title": "a product"}) as folder:
        (folder / "a.bin").write_bytes(bytes(range(256)))
        (folder / "inner").mkdir()
        (folder / "inner" / "b.bin").write_bytes(b"b" * 1000)
    return key


def test_a_product_is_there_whole_with_its_meta(store):
    key = fill(store)
    assert store.has(key)
    folder = store.open(key)
    assert (folder / "a.bin").read_bytes() == bytes(range(256))
    assert store.meta(key)["title"] == "a product"
    assert list(store.keys()) == [key]
    assert not list(store.making.iterdir())


@pytest.mark.skipif(sys.platform != "linux", reason="asks /proc what was forced to the disk")
def test_everything_is_forced_to_the_disk_before_it_gets_its_name_and_the_name_after(store, tmp_path, monkeypatch):
    told = []
    fsync, rename, replace = os.fsync, Path.rename, Path.replace
    monkeypatch.setattr(
        os, "fsync", lambda fd: (told.append(("force", Path(f"/proc/self/fd/{fd}").readlink())), fsync(fd))
    )
    monkeypatch.setattr(Path, "rename", lambda a, b: (told.append(("name", Path(b))), rename(a, b))[1])
    monkeypatch.setattr(Path, "replace", lambda a, b: (told.append(("name", Path(b))), replace(a, b))[1])
    key = fill(store)
    product = store.path(key)
    named = told.index(("name", product))
    forced = {path.name for what, path in told[:named] if what == "force"}
    assert forced >= {"a.bin", "b.bin"}
    assert told.index(("name", next(path for _, path in told if path.name == "meta.json"))) < named
    assert ("force", product.parent) in told[named:]
    told.clear()
    write_whole(tmp_path / "x", b"x")
    assert [what for what, _ in told] == ["force", "name", "force"]
    assert [told[1][1], told[2][1]] == [tmp_path / "x", tmp_path]


def test_nothing_is_there_when_the_making_fails(store):
    key = "cd" * 32
    with pytest.raises(ZeroDivisionError), store.make(key, {}) as folder:
        (folder / "a.bin").write_bytes(b"half")
        raise ZeroDivisionError
    assert not store.has(key)
    assert not list(store.making.iterdir())


def test_two_makers_of_one_product_agree(store):
    key = "ef" * 32
    with store.make(key, {}) as first:
        (first / "a").write_bytes(b"same")
        with store.make(key, {}) as second:
            (second / "a").write_bytes(b"same")
    assert store.open(key)


@pytest.mark.parametrize("name", ["a.bin", "inner/b.bin", "meta.json"])
@pytest.mark.parametrize("harm", ["empty", "short", "bit", "gone"])
def test_any_damage_is_found(store, name, harm):
    key = fill(store)
    path = store.path(key) / name
    data = bytearray(path.read_bytes())
    if harm == "gone":
        path.unlink()
    else:
        middle = len(data) // 2
        data[middle] ^= 4
        path.write_bytes({"empty": b"", "short": data[:middle], "bit": data}[harm])
    with pytest.raises(DamagedError, match="damaged"):
        store.open(key)
    if store.has(key):
        store.discard(key)
    fill(store)
    assert store.open(key)


def test_every_flipped_bit_of_the_list_is_found(store):
    key = fill(store)
    path = store.path(key) / "meta.json"
    good = path.read_bytes()
    for place in range(0, len(good) * 8, 7):
        data = bytearray(good)
        data[place // 8] ^= 1 << place % 8
        path.write_bytes(bytes(data))
        try:
            held = store.meta(key)
        except DamagedError:
            continue
        # Bits of the white space between values say nothing.
        path.write_bytes(good)
        assert held == store.meta(key)


def test_what_a_killed_run_left_half_written_is_swept_away(tmp_path):
    names = [".mars.png.be279b61.part", ".a.b.fits.00000000.part", "mine.part", ".hidden", "mars.png"]
    for name in names:
        (tmp_path / name).write_bytes(b"x")
    sweep_parts(tmp_path)
    assert sorted(path.name for path in tmp_path.iterdir()) == sorted(names[2:])
    sweep_parts(tmp_path / "missing")


def test_a_discarded_product_is_gone_and_can_be_made_again(store):
    key = fill(store)
    store.discard(key)
    assert not store.has(key)
    fill(store)
    assert store.has(key)


JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(), inner, max_size=4),
    max_leaves=12,
)


@given(st.dictionaries(st.text(), JSON, max_size=5))
def test_keys_do_not_depend_on_the_order_of_names(content):
    turned = dict(reversed(list(content.items())))
    assert canonical(content) == canonical(turned)
    assert key_of(content) == key_of(turned)


def test_the_fingerprint_of_a_file_is_its_sha256(tmp_path):
    path = tmp_path / "x"
    path.write_bytes(b"abc")
    # FIPS 180-2, appendix B.1: the SHA-256 of "abc".
    expected = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert fingerprint([path], tmp_path) == expected


def test_the_fingerprint_of_a_folder_knows_names_and_contents(tmp_path):
    for name in ("a", "b"):
        (tmp_path / name).write_bytes(name.encode())
    both = fingerprint([tmp_path / "a", tmp_path / "b"], tmp_path)
    lines = "".join(f"{hashlib.sha256(n.encode()).hexdigest()}  {n}\n" for n in ("a", "b"))
    assert both == hashlib.sha256(lines.encode()).hexdigest()


def test_files_are_replaced_whole(tmp_path):
    target = tmp_path / "deep" / "x.json"
    write_json(target, {"a": 1})
    write_whole(target, b"second")
    copy_whole(target, tmp_path / "copy")
    assert (tmp_path / "copy").read_bytes() == b"second"
    assert {path.name for path in target.parent.iterdir()} == {"x.json"}


def test_a_failed_write_leaves_the_old_file(tmp_path, monkeypatch):
    target = tmp_path / "x"
    write_whole(target, b"old")
    import nightmill.files as files

    def full(path):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(files, "sync_file", full)
    with pytest.raises(OSError, match="No space"):
        write_whole(target, b"new")
    assert target.read_bytes() == b"old"
    assert {path.name for path in tmp_path.iterdir()} == {"x"}


@pytest.mark.parametrize(
    "value",
    [
        {},
        {"a": [], "b": {}, "state": "finished", "e": 'ä\n"q"', 3: None, "n": [1.5, "x"]},
        {"captures": [{"file": "a", "notes": [{"x": [1]}]}, {"file": "b"}], "pairs": [[1, 2], [3, 4]]},
        [1, {"a": 2}],
    ],
)
def test_json_laid_out_for_people_is_the_same_value(value):
    assert json.loads(laid_out(value)) == json.loads(json.dumps(value))


def test_a_product_can_be_had_under_another_key_and_outlives_the_first(store):
    key, other = fill(store), "cd" * 32
    store.adopt(key, other)
    store.adopt("ef" * 32, "01" * 32)  # what is not there is not taken over
    store.discard(key)
    assert not store.has(key) and not store.has("01" * 32)
    assert (store.open(other) / "inner" / "b.bin").read_bytes() == b"b" * 1000
    assert not any(store.making.iterdir())


def test_where_files_cannot_have_two_names_they_are_copied(store, monkeypatch):
    def refuse(*names):
        raise OSError("no links here")

    monkeypatch.setattr("os.link", refuse)
    store.adopt(fill(store), "cd" * 32)
    assert store.open("cd" * 32).is_dir()


def test_what_does_not_last_is_not_waited_for_and_still_checked(tmp_path, monkeypatch):
    synced = []
    monkeypatch.setattr("nightmill.store.sync_file", synced.append)
    store = Store(tmp_path)
    for key, lasting in (("a" * 64, True), ("b" * 64, False)):
        with store.make(key, {}, lasting=lasting) as folder:
            (folder / "part.npy").write_bytes(b"sums")
    assert [path.name for path in synced] == ["part.npy"]
    (store.path("b" * 64) / "part.npy").write_bytes(b"sumz")
    with pytest.raises(DamagedError):
        store.open("b" * 64)
