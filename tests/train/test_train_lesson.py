"""A miniature lesson from drawing to the exported net: `train` stays alive."""

from __future__ import annotations

import json

import cv2
import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="the extra `train` (torch) is not installed")
onnx = pytest.importorskip("onnx", reason="the extra `train` (onnx) is not installed")

from frametally.read.network import PLANES, ROWS, SIGNS, STRIDE, Tuning  # noqa: E402
from frametally.train.__main__ import main  # noqa: E402
from frametally.train.export import export  # noqa: E402
from frametally.train.net import Net  # noqa: E402
from frametally.train.shards import Shelf  # noqa: E402
from frametally.train.teaching import Lesson, teach  # noqa: E402
from frametally.train.tuning import Trial, fit_tuning, judge  # noqa: E402

TINY = (4, 6, 8, 12)


def _striped_shelf() -> Shelf:
    """Examples that a tiny net learns in a few steps: a bright stripe on the left is a 1, on the right a 2."""
    random = np.random.default_rng(1)
    planes = random.integers(100, 140, (64, PLANES, ROWS, 64)).astype(np.uint8)
    said = np.zeros((64, 16), np.int64)
    for index in range(64):
        right = index % 2
        planes[index, :, :, 12 + 24 * right : 24 + 24 * right] = 250
        said[index, 0] = SIGNS.index("2" if right else "1")
    return Shelf(planes, np.full(64, 64, np.int64), said, np.ones(64, np.int64))


def test_teaching_lowers_the_loss():
    told: list[str] = []
    teach({64: _striped_shelf()}, Lesson(steps=120, batch=16, rate=5e-3), 1, torch.device("cpu"), told.append, Net(TINY))
    first = [float(line.rsplit(" ", 1)[1]) for line in told]
    teach({64: _striped_shelf()}, Lesson(steps=4, batch=16), 1, torch.device("cpu"), told.append, Net(TINY))
    assert first[-1] < 0.5 * float(told[-1].rsplit(" ", 1)[1])


def test_same_seed_teaches_the_same():
    taught = []
    for _ in range(2):
        torch.manual_seed(5)
        net = teach({64: _striped_shelf()}, Lesson(steps=3, batch=8), 3, torch.device("cpu"), lambda text: None, Net(TINY))
        taught.append(torch.cat([p.detach().ravel() for p in net.parameters()]))
    assert torch.equal(taught[0], taught[1])


@pytest.mark.parametrize("columns", [32, 96, 160])
def test_exported_net_gives_what_torch_gives(tmp_path, columns):
    torch.manual_seed(columns)
    net = Net(TINY)
    net(torch.randn(16, PLANES, ROWS, 64))  # so that the norms have something to fold
    net.eval()
    export(net, tmp_path / "net.onnx")
    x = np.random.default_rng(columns).uniform(-0.5, 0.5, (1, PLANES, ROWS, columns)).astype(np.float32)
    with torch.no_grad():
        wanted = net(torch.from_numpy(x)).numpy()
    runner = cv2.dnn.readNetFromONNX(np.frombuffer((tmp_path / "net.onnx").read_bytes(), np.uint8))
    runner.setInput(x)
    assert wanted.shape == (1, len(SIGNS), 1, columns // STRIDE)
    np.testing.assert_allclose(runner.forward(), wanted, atol=1e-4)


def test_whole_lesson_in_miniature(tmp_path, capsys):
    words = [
        "--out",
        str(tmp_path / "out"),
        "--seed",
        "2",
        "--examples",
        "100",
        "--held-out",
        "100",
        "--steps",
        "2",
        "--batch",
        "8",
    ]
    assert main([*words, "--processes", "1", "--shelves", str(tmp_path / "shelves")]) == 0
    figures = json.loads((tmp_path / "out" / "network.json").read_text(encoding="utf-8"))
    assert figures["temperature"] > 0
    assert 0 < figures["held_out"]["count"] <= 100 - 100 // 2  # unfair examples are left out
    assert (tmp_path / "out" / "network.onnx").stat().st_size < 5_000_000
    assert "teaching on" in capsys.readouterr().err
    assert main([*words, "--only-draw", "--shelves", str(tmp_path / "shelves")]) == 0
    assert "taking the drawn examples" in capsys.readouterr().err


def test_tuning_makes_overconfident_scores_honest():
    # Scores claim 0.999 and are right four times in five, as often as their honest probability must then say.
    random = np.random.default_rng(4)
    trials = [Trial("1" if random.random() < 0.8 else "7", (("1", 0.999), ("7", 0.001))) for _ in range(6000)]
    raw, tuned = judge(trials, Tuning(1.0, 1.0, 0.0)), judge(trials, fit_tuning(trials[:600]))
    assert raw.sure_wrong > 0.15
    assert raw.error > 0.15
    assert tuned.sure_wrong == 0.0
    assert tuned.error < 0.03
    assert tuned.exact == raw.exact
