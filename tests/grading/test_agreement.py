"""Agreement in plain cases with answers by hand; what can't be told is said."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from assessor.grading.agreement import (
    AgreementSettings,
    Reading,
    ReadPair,
    agree,
    between_readers,
    reader_biases,
    weighted_kappa,
)

GRADES = st.integers(2, 20).map(lambda half: half / 2)


def pairs(first, second):
    return [ReadPair(f"z1-{k}", a, b) for k, (a, b) in enumerate(zip(first, second, strict=True))]


def drawn(n, seed=1, off=0.0, sd=0.5):
    rng = np.random.default_rng(seed)
    true = rng.uniform(1.5, 6.0, n)
    halves = [np.clip(np.round(2 * (true + rng.normal(0, sd, n) + o)) / 2, 1, 10) for o in (off, 0.0)]
    return pairs(*(h.tolist() for h in halves))


def test_shares_and_bias_by_hand():
    found = agree(pairs([3, 4, 5, 3.5], [3, 3, 3, 3]))
    assert (found.spots, found.pairs) == (4, 4)
    assert found.exact.value == 0.25
    assert found.within_one.value == 0.75
    assert found.difference.mean == pytest.approx(3.5 / 4)
    assert found.exact.low95 < 0.25 < found.exact.high95


def test_kappa_by_hand():
    """Two grades, 2 x 2 table [[4, 1], [1, 4]]: kappa = (0.8 - 0.5) / (1 - 0.5) = 0.6, weights or none."""
    first, second = [3.0] * 5 + [4.0] * 5, [3.0] * 4 + [4.0] + [3.0] + [4.0] * 4
    value, u = weighted_kappa(np.array(first), np.array(second), [str(k) for k in range(10)])
    assert value == pytest.approx(0.6)
    # Fleiss, Cohen, Everitt for two classes with even margins: sqrt((1 - kappa^2) / n) [derived].
    assert u == pytest.approx(np.sqrt((1 - 0.36) / 10))


def test_few_spots_give_no_kappa_and_say_so():
    found = agree(drawn(8))
    assert found.kappa is None
    assert any("Can't tell kappa from 8 spots: read at least 15, better 30." in s for s in found.sentences)
    assert found.sentences[-1].startswith("Fewer than 30 spots")
    nothing = agree([])
    assert (nothing.spots, nothing.exact, nothing.kappa) == (0, None, None)
    assert nothing.sentences == ("Can't tell how the tool and the reader agree: no spot has both.",)
    assert any("Can't tell a bias of the tool from one spot." in s for s in agree(drawn(1)).sentences)


def test_many_spots_tell_bias_and_kappa_with_limits():
    found = agree(drawn(80, off=1.0))
    assert found.difference.low95 > 0.5
    assert any(s.startswith("The tool reads rougher than the reader (+") for s in found.sentences)
    assert found.kappa.low95 < found.kappa.value < found.kappa.high95 < 1
    assert any(s.startswith("Weighted kappa 0.") for s in found.sentences)
    assert not any("hint" in s for s in found.sentences)
    none = agree(drawn(80, off=0.0))
    assert any("No bias of the tool against the reader can be told" in s for s in none.sentences)


def test_a_wide_kappa_is_called_too_wide():
    found = agree(drawn(16, sd=2.5))
    assert found.kappa.high95 - found.kappa.low95 > 0.4
    assert any("too wide to tell fair agreement from good" in s for s in found.sentences)


def test_floors_all_alike_have_no_kappa_and_full_agreement_has_no_limits():
    alike = agree(pairs([3.0] * 20, [3.0] * 20))
    assert alike.kappa is None
    assert any("one side is the same grade at every spot" in s for s in alike.sentences)
    # A tool that always says 4 has kappa 0 by the formula, whatever the readers do.
    stubborn = agree(pairs([4.0] * 20, [3.0, 4.0, 5.0, 4.0] * 5))
    assert stubborn.kappa is None
    assert stubborn.exact.value == 0.5
    # 20 of 20 alike still shows only so much.
    assert alike.exact.low95 == pytest.approx(0.839, abs=5e-4)
    grades = [1.0 + k % 5 for k in range(20)]
    full = agree(pairs(grades, grades))
    assert (full.kappa.value, full.kappa.low95) == (1.0, None)
    assert any("its limits can't be told" in s for s in full.sentences)


def test_more_pairs_at_the_same_spots_are_no_more_spots():
    once = drawn(20)
    thrice = [pair for pair in once for _ in range(3)]
    one, three = agree(once), agree(thrice)
    assert (three.spots, three.pairs) == (20, 60)
    assert (three.exact, three.difference) == (one.exact, one.difference)
    assert three.kappa.value == pytest.approx(one.kappa.value)
    assert three.kappa.u == pytest.approx(one.kappa.u)


def test_readers_among_each_other_have_no_first_one():
    pair = drawn(30)
    readings = [Reading(p.spot, who, g) for p in pair for who, g in (("Ann", p.first), ("Bo", p.second))]
    found = between_readers(readings)
    assert (found.spots, found.pairs, found.difference) == (30, 30, None)
    assert found.kappa == between_readers(reversed(readings)).kappa
    assert found.sentences[0].startswith("Readers among each other, 30 spots")
    # A later reading by the same person at the same spot is not blind any more.
    assert between_readers([*readings, Reading(pair[0].spot, "Ann", 10.0)]) == found


def test_a_reader_who_reads_rougher_is_told():
    rng = np.random.default_rng(3)
    readings = []
    for spot in range(25):
        true = rng.uniform(2, 6)
        for who, off in (("Ann", 0.0), ("Bo", 0.0), ("Cy", 1.0)):
            readings.append(Reading(f"s{spot}", who, round(2 * (true + off + rng.normal(0, 0.3))) / 2))
    found = {bias.reader: bias for bias in reader_biases(readings)}
    assert found["Cy"].difference.low95 > 0.5
    assert found["Cy"].sentence.startswith("Cy reads rougher than the others (+")
    assert found["Ann"].difference.high95 < 0
    assert reader_biases([Reading("s", "Ann", 3.0)]) == ()


@given(st.lists(st.tuples(GRADES, GRADES), min_size=1, max_size=40))
def test_agreement_is_bounded_and_the_other_way_round_the_same(grades):
    one, two = zip(*grades, strict=True)
    settings = AgreementSettings(least_for_kappa=2)
    found, turned = agree(pairs(one, two), settings=settings), agree(pairs(two, one), settings=settings)
    assert found.exact == turned.exact
    assert found.within_one.value >= found.exact.value
    assert found.difference.mean == pytest.approx(-turned.difference.mean)
    if found.kappa is not None:
        assert -1.0 - 1e-9 <= found.kappa.value <= 1.0
        assert found.kappa.value == pytest.approx(turned.kappa.value)
        if found.kappa.low95 is not None:
            assert -1 <= found.kappa.low95 <= found.kappa.value <= found.kappa.high95 <= 1
    assert all("\n" not in sentence for sentence in found.sentences)
