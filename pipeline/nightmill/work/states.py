"""States and partial results on disk: arrays as .npy, the rest as JSON; never pickle."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from ..files import json_bytes

__all__ = ["load_arrays", "load_state", "save_arrays", "save_state"]


def save_state(folder: Path, state: Mapping[str, Any]) -> None:
    """Write names to arrays and JSON values into a new folder."""
    folder.mkdir(parents=True)
    plain = {}
    for name, value in state.items():
        if isinstance(value, np.ndarray):
            np.save(folder / f"{name}.npy", value, allow_pickle=False)
        else:
            plain[name] = value
    text = json.dumps(plain, sort_keys=True, default=_plain)
    (folder / "state.json").write_bytes(json_bytes(text))


def load_state(folder: Path) -> dict[str, Any]:
    """Read what `save_state` wrote."""
    state: dict[str, Any] = json.loads((folder / "state.json").read_text(encoding="utf-8"))
    return {**state, **load_arrays(folder)}


def save_arrays(folder: Path, arrays: Mapping[str, NDArray[Any]]) -> None:
    """Write names to arrays into a folder."""
    for name, values in arrays.items():
        np.save(folder / f"{name}.npy", np.asarray(values), allow_pickle=False)


def load_arrays(folder: Path) -> dict[str, NDArray[Any]]:
    """Read what `save_arrays` wrote, in order of the names."""
    return {path.stem: np.load(path, allow_pickle=False) for path in sorted(folder.glob("*.npy"))}


def _plain(value: Any) -> Any:
    if isinstance(value, np.generic):
        return value.item()
    raise TypeError(f"a state holds arrays and JSON values, not {type(value).__name__}")
