"""The one way to a trained file: what is not whole is named, and nothing is judged with it."""

from __future__ import annotations

import shutil
from hashlib import sha256
from pathlib import Path

import numpy as np
import pytest

from models import loader
from rules.errors import CuproscopeError, InstallError

TINY = Path(__file__).parents[1] / "vision" / "data" / "averaging.onnx"
SHIPPED = Path(loader.__file__).parent


def described(folder: Path, *, content: bytes | None = None, schema: str | None = None) -> None:
    content = (folder / "surface.onnx").read_bytes() if content is None else content
    (folder / "surface.toml").write_text(
        f'schema = "{schema or loader.SCHEMAS["surface"]}"\n'
        f'file = "surface.onnx"\nsha256 = "{sha256(content).hexdigest()}"\n',
        encoding="utf-8",
    )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copy(TINY, tmp_path / "surface.onnx")
    described(tmp_path)
    return tmp_path


def test_a_whole_file_runs(folder: Path) -> None:
    session = loader.session(loader.described("surface", folder=folder), folder=folder)
    view = np.full((1, 64, 96, 3), 128, np.uint8)
    (logits,) = session.run(["logits"], {"rgb": view})
    assert logits.shape[2:] == (16, 24)


def test_what_ships_is_whole() -> None:
    loader.check()


@pytest.mark.parametrize(
    ("harm", "file", "why"),
    [
        (lambda f: (f / "surface.onnx").unlink(), "surface.onnx", "is missing"),
        (lambda f: (f / "surface.toml").unlink(), "surface.toml", "is missing"),
        (lambda f: (f / "surface.onnx").write_bytes(b"torn"), "surface.onnx", "is damaged"),
        (lambda f: (f / "surface.toml").write_text("=="), "surface.toml", "can't be read"),
        (lambda f: (f / "surface.toml").write_bytes(b"\xff"), "surface.toml", "can't be read"),
        (lambda f: described(f, schema="x/9"), "surface.toml", "has schema 'x/9'"),
    ],
)
def test_what_is_not_whole_is_named_with_what_to_do(
    folder: Path, harm: object, file: str, why: str
) -> None:
    harm(folder)  # type: ignore[operator]
    with pytest.raises(InstallError) as raised:
        loader.session(loader.described("surface", folder=folder), folder=folder)
    assert raised.value.where == f"models/{file}"
    assert why in raised.value.message
    assert raised.value.fix == "Install Cuproscope again."
    assert isinstance(raised.value, CuproscopeError)


def test_a_file_that_is_no_network_is_named(folder: Path) -> None:
    (folder / "surface.onnx").write_bytes(b"no network")
    described(folder)
    with pytest.raises(InstallError, match=r"models/surface\.onnx: can't be run here"):
        loader.session(loader.described("surface", folder=folder), folder=folder)


@pytest.mark.parametrize("name", sorted(p.name for p in SHIPPED.glob("*.onnx")))
def test_each_shipped_network_is_missed(tmp_path: Path, name: str) -> None:
    for path in [*SHIPPED.glob("*.toml"), *SHIPPED.glob("*.onnx")]:
        if path.name != name:
            (tmp_path / path.name).symlink_to(path)
    with pytest.raises(InstallError, match=name.replace(".", r"\.")):
        loader.check(folder=tmp_path)
