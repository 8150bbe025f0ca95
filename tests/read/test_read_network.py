"""The network reader: its decoding against sums over all ways, its weights in two runtimes, its readings of drawn displays."""

from __future__ import annotations

import itertools
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import pytest

from frametally.practice import Hardness, draw_number, random_style
from frametally.read import network
from frametally.read.layout import Mask
from frametally.read.network import (
    BLANK,
    PLANES,
    ROWS,
    SIGNS,
    STRIDE,
    NetworkMissing,
    Tuning,
    prepare,
    read_network,
    text_scores,
    weigh,
)
from frametally.read.rectify import Strip, rectify

WORDS = ("OL", "Lo", "Err", "----")
AS_SCORED = Tuning(1.0, 1.0, 0.0)


def _chances(*columns: dict[str, float]) -> np.ndarray:
    """Write out columns of chances; what is not named goes to the blank."""
    chances = np.zeros((len(columns), len(SIGNS)))
    for row, named in zip(chances, columns, strict=True):
        for sign, chance in named.items():
            row[SIGNS.index(sign)] = chance
        row[BLANK] = 1 - row[1:].sum()
    return chances


def _random_chances(seed: int, signs: str, columns: int) -> np.ndarray:
    random = np.random.default_rng(seed)
    shares = random.dirichlet(np.full(len(signs) + 1, 0.6), columns)
    return _chances(*({sign: float(s) for sign, s in zip(signs, row, strict=False)} for row in shares))


def _by_hand(chances: np.ndarray, signs: str) -> dict[str, float]:
    """Sum every way through the columns: repeats collapse, then blanks fall out (Graves et al. 2006, ICML, section 3)."""
    ways: dict[str, float] = {}
    for path in itertools.product("~" + signs, repeat=len(chances)):
        chance = float(np.prod([chances[t, SIGNS.index(sign)] for t, sign in enumerate(path)]))
        text = "".join(sign for sign, _ in itertools.groupby(path)).replace("~", "")
        ways[text] = ways.get(text, 0.0) + chance
    return ways


@pytest.mark.parametrize("seed", range(4))
def test_scores_are_the_sums_over_all_ways(seed):
    chances = _random_chances(seed, "128", 6)
    wanted = _by_hand(chances, "128")
    found = dict(text_scores(chances, Mask.parse("##"), ()))
    assert found[""] == pytest.approx(wanted[""])
    tried = [text for text in found if text]
    assert len(tried) >= 6
    for text in tried:
        assert found[text] == pytest.approx(wanted[text])


def test_likeliest_numbers_are_among_those_considered():
    for seed in range(20):
        chances = _random_chances(100 + seed, "038", 6)
        chances[1::2] = _chances({}, {}, {})  # a taught net leaves empty columns between its signs
        wanted = {text: chance for text, chance in _by_hand(chances, "038").items() if 1 <= len(text) <= 3}
        found = dict(text_scores(chances, Mask.parse("###"), ()))
        assert max(wanted, key=wanted.__getitem__) in found


def test_numbers_fill_the_mask_from_the_right():
    chances = _chances({"9": 0.99}, {}, {"5": 0.99})
    assert weigh(text_scores(chances, Mask.parse("##.#"), ()), AS_SCORED)[0][0] == "9.5"
    assert weigh(text_scores(chances, Mask.parse("####"), ()), AS_SCORED)[0][0] == "95"
    assert weigh(text_scores(chances, Mask.parse("#:##"), ()), AS_SCORED)[0][0] == ":95"
    assert weigh(text_scores(chances, Mask.parse("#.#.#"), ()), AS_SCORED)[0][0] == ".9.5"  # as the bar reader writes it


def test_point_counts_whether_it_shows_or_not_but_not_elsewhere():
    seen = _chances({"2": 0.98}, {".": 0.9}, {"0": 0.98})
    unseen = _chances({"2": 0.98}, {}, {"0": 0.98})
    after = Mask.parse("#.#")
    for chances in (seen, unseen):
        text, probability = weigh(text_scores(chances, after, ()), AS_SCORED)[0]
        assert text == "2.0"
        assert probability > 0.9
    elsewhere = dict(text_scores(seen, Mask.parse("##"), ()))
    assert elsewhere["20"] < 0.2


def test_minus_only_where_the_mask_allows_it():
    chances = _chances({"-": 0.9}, {}, {"4": 0.99})
    assert weigh(text_scores(chances, Mask.parse("-##"), ()), AS_SCORED)[0][0] == "-4"
    unsigned = text_scores(chances, Mask.parse("##"), ())
    assert all("-" not in text for text, _ in unsigned)
    assert max(score for _, score in unsigned) < 0.5


def test_more_digits_than_places_leave_the_probability_to_nothing():
    chances = _chances({"1": 0.99}, {"2": 0.99}, {"3": 0.99})
    assert max((score for _, score in text_scores(chances, Mask.parse("##"), ())), default=0.0) < 0.05


def test_words_are_read_in_any_of_their_spellings():
    for signs in ("0L", "oL"):
        chances = _chances({signs[0]: 0.95}, {}, {signs[1]: 0.95})
        text, probability = weigh(text_scores(chances, Mask.parse("###"), WORDS), AS_SCORED)[0]
        assert text == "OL"
        assert probability > 0.6  # a unit's letter may stand beside a number, so that a 0 remains a rival
    dashes = _chances(*itertools.chain.from_iterable(({"-": 0.99}, {}) for _ in range(4)))
    assert weigh(text_scores(dashes, Mask.parse("####"), WORDS), AS_SCORED)[0][0] == "----"


def test_nothing_lit_reads_as_nothing():
    text, probability = weigh(text_scores(_chances({}, {}, {}), Mask.parse("##.#"), WORDS), AS_SCORED)[0]
    assert text == ""
    assert probability > 0.99


def test_weigh_orders_and_leaves_the_rest_to_what_is_no_reading():
    weighed = weigh([("7", 0.2), ("1", 0.6)], AS_SCORED)
    assert weighed == [("1", pytest.approx(0.6)), ("7", pytest.approx(0.2))]
    flatter = weigh([("7", 0.2), ("1", 0.6)], Tuning(2.0, 1.0, 0.0))
    assert flatter[0][1] < 0.6
    assert weigh([("1", 1.0)], Tuning(1.0, 1.0, 0.01)) == [("1", pytest.approx(0.99))]
    assert sum(p for _, p in flatter) < 1


def _strip_of(text: str, seed: int, mask: str, gain: float = 1.0, turned: bool = False) -> Strip:
    rng = np.random.default_rng(seed)
    image, corners = draw_number(text, random_style(rng), rng, 40.0, mask=mask, hardness=Hardness(3.0, 0.8, 2.0, 0.7))
    strip = rectify(image, tuple((float(x), float(y)) for x, y in corners))
    pixels = np.rint(strip.pixels * gain).astype(np.uint8)
    return Strip(255 - pixels if turned else pixels, strip.scale)


def test_prepared_strip_does_not_depend_on_the_light():
    bright, dim = prepare(_strip_of("20.9", 3, "##.#")), prepare(_strip_of("20.9", 3, "##.#", gain=0.6))
    assert bright.shape[:2] == (PLANES, ROWS)
    assert np.abs(bright[:2].astype(int) - dim[:2]).mean() < 3.0


def test_grey_strip_has_no_colour():
    strip = _strip_of("20.9", 3, "##.#")
    grey = Strip(np.repeat(strip.pixels[..., 1:2], 3, axis=2), strip.scale)
    assert np.ptp(prepare(grey)[2]) <= 1


def test_flat_and_tiny_strips_are_taken():
    for columns in (34, 600, 978):
        planes = prepare(Strip(np.full((114, columns, 3), 90, np.uint8), 1.0))
        assert planes.shape == (PLANES, ROWS, round(columns * ROWS / 114))
    assert read_network(Strip(np.full((114, 250, 3), 90, np.uint8), 1.0), Mask.parse("##.#"), WORDS)


def test_weights_are_small_enough_to_ship():
    assert len(network._packaged("network.onnx")) < 5_000_000


@pytest.mark.parametrize("columns", [64, 128, 224])
def test_another_runtime_gives_the_same(columns):
    x = np.random.default_rng(columns).uniform(-0.5, 0.5, (1, PLANES, ROWS, columns)).astype(np.float32)
    (found,) = network._net().run(None, {"strip": x})
    other = cv2.dnn.readNetFromONNX(np.frombuffer(network._packaged("network.onnx"), np.uint8))
    other.setInput(x)
    wanted = other.forward()
    assert found.shape == (1, len(SIGNS), 1, columns // STRIDE)
    np.testing.assert_allclose(found, wanted, atol=1e-4 * max(1.0, float(np.abs(wanted).max())))


def test_missing_weights_are_said_clearly():
    with pytest.raises(NetworkMissing, match="install frametally again"):
        network._packaged("no-such-file.onnx")


NUMBERS = [
    ("20.9", "##.#"),
    ("-4.5", "-##.#"),
    ("187", "###"),
    ("1111", "####"),
    ("60", "###"),
    ("3.01", "#.##"),
    ("8", "##"),
    ("412", "####"),
]


@pytest.mark.parametrize(("text", "mask"), NUMBERS)
def test_drawn_numbers_are_read_dark_and_bright(text, mask):
    for seed in range(5):
        for turned in (False, True):
            readings = read_network(_strip_of(text, 50 + seed, mask, turned=turned), Mask.parse(mask), WORDS)
            assert readings[0][0] == text, (seed, turned, readings)
            assert readings[0][1] > 0.5


def test_drawn_words_are_read():
    for text, mask in (("OL", "###"), ("Lo", "##"), ("----", "####"), ("Err", "####")):
        for seed in range(3):
            assert read_network(_strip_of(text, 80 + seed, mask), Mask.parse(mask), WORDS)[0][0] == text.upper()


def test_threads_read_the_same_as_one():
    strips = [_strip_of(text, 30 + i, mask) for i, (text, mask) in enumerate(NUMBERS)] * 4
    masks = [Mask.parse(mask) for _, mask in NUMBERS] * 4
    alone = [read_network(strip, mask, WORDS) for strip, mask in zip(strips, masks, strict=True)]
    with ThreadPoolExecutor(4) as pool:
        together = list(pool.map(read_network, strips, masks, [WORDS] * len(strips)))
    assert together == alone


def test_probability_is_honest_on_hard_drawn_displays():
    """Of what is given 0.98 or more hardly anything may be wrong, hard as the displays are; and what is wrong is doubted."""
    rng = np.random.default_rng(9)
    sure, sure_wrong, right = 0, 0, 0
    for _ in range(150):
        text = f"{rng.integers(0, 1000) / 10:.1f}"
        image, corners = draw_number(text, random_style(rng), rng, 22.0, mask="##.#", hardness=Hardness(8.0, 1.5, 7.0, 0.2))
        best, probability = read_network(rectify(image, tuple(map(tuple, corners.tolist()))), Mask.parse("##.#"), WORDS)[0]
        sure += probability >= 0.98
        sure_wrong += probability >= 0.98 and best != text
        right += best == text
    assert sure >= 60
    assert sure_wrong <= 1
    assert right >= 125


@pytest.mark.parametrize(("word", "number"), [("OL", "0"), ("LO", "0"), ("HI", "1")])
def test_a_word_is_no_number_with_a_letter_passed_over(word: str, number: str) -> None:
    """Beside a number a unit's letter is passed over readily; what spells a word whole is that word."""
    spelled = {"O": "0", "I": "1"}
    chances = _chances(*({spelled.get(letter, letter): 0.9} for letter in word))
    scores = dict(text_scores(chances, Mask.parse("###"), (word,)))

    assert scores[word] == pytest.approx(0.81)
    assert scores[number] < 0.1  # the ways in which the net saw no letter at all
    assert dict(text_scores(chances, Mask.parse("###"), ()))[number] > 0.4  # where the word is none of the display's
