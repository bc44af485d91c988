"""Any order of entries by anybody: a zone is accepted only where the issue's own rules, read a second time, allow it.

`play` enters a careful crew's steps mixed with anything that anybody might enter out of turn; `oracle` judges the
entries that the gates took. `test_played_jobs_reach_acceptance` shows that the play gets deep enough to prove
something, `test_the_oracle_sees_what_is_left_out` that the oracle can say no.
"""

from collections import Counter
from collections.abc import Callable, Sequence
from copy import deepcopy
from dataclasses import replace
from itertools import cycle
from random import Random

import pytest
from hypothesis import given, settings, target
from hypothesis import strategies as st

from assessor.errors import InputError
from assessor.job.acceptance import zone_standing
from assessor.job.book import JobBook
from assessor.job.chain import Entry, check_chain, content_from, content_json
from assessor.job.entries import KINDS, ChipRead, Content, SignedOff, files_of
from assessor.job.gates import check_entry, enter
from assessor.store.ledger import Ledger
from assessor.store.opening import open_store
from tests.job.oracle import denies
from tests.job.play import KINDS_OF_STEP, Player, Step
from tests.job.site import LEAD, Site, accepted_site, at

TWO_ACCEPTED = accepted_site()
TWO_ACCEPTED.do_all(2)
LATER_MIN = (23 * 60, 30 * 60)
SMALL = st.integers(0, 11)
STEP = st.tuples(st.one_of(st.integers(0, 6), st.integers(0, KINDS_OF_STEP - 1)), SMALL, SMALL, SMALL)
STEPS = st.lists(STEP, min_size=6, max_size=28)
QUICK = settings(max_examples=25, deadline=None, derandomize=True)
MANY = settings(max_examples=40, deadline=None, derandomize=True)


class Watch:
    """Holds every accepted zone against the oracle, after every entry and some hours on."""

    def __init__(self) -> None:
        self.accepted = 0

    def __call__(self, site: Site) -> None:
        for zone in site.book.zones:
            if not self._holds(site, zone, site.now):
                continue
            self.accepted += 1
            for later in LATER_MIN:
                self._holds(site, zone, at(site.minute + later))

    def _holds(self, site: Site, zone: int, moment: str) -> bool:
        accepted = zone_standing(site.book, zone, moment).standing == "accepted"
        if accepted:
            assert denies(site.entries, zone, moment) == [], [entry.content.kind for entry in site.entries]
        return accepted


def drawn_steps(seed: int, count: int = 34) -> list[Step]:
    """Steps from a seeded generator, half of them a careful crew's."""
    rng = Random(seed)
    kinds = [rng.randrange(7) if rng.random() < 0.4 else rng.randrange(KINDS_OF_STEP) for _ in range(count)]
    return [(kind, rng.randrange(12), rng.randrange(12), rng.randrange(12)) for kind in kinds]


def played(steps: Sequence[Step], *, drops_asked: bool = False) -> tuple[Site, Watch]:
    """A job as it was played, watched."""
    watch = Watch()
    player = Player(watch, drops_asked=drops_asked)
    player.play(steps)
    return player.site, watch


def entered_again(entries: Sequence[Entry], **opening: object) -> Site:
    """The same contents by the same people, in this order; what the gates refuse is dropped."""
    site = Site(**opening)
    for entry in entries:
        if entry.content.kind == "job-opened":
            continue
        try:
            mark = entry.stamp
            site.say(entry.content, mark.who, mark.role, mark.place)
        except InputError:
            continue
    return site


def judged_rightly(site: Site) -> None:
    """No zone of the job is accepted that the oracle denies."""
    Watch()(site)


@QUICK
@given(STEPS, st.booleans())
def test_no_path_reaches_accepted_without_what_the_rules_ask(steps, drops_asked):
    _, watch = played(steps, drops_asked=drops_asked)
    target(float(watch.accepted))


UPSET = st.tuples(st.integers(6, KINDS_OF_STEP - 1), SMALL, SMALL, SMALL)


def upset_and_mended(upsets: Sequence[Sequence[Step]]) -> Watch:
    """Two accepted zones; again and again something happens, and a careful crew mends it."""
    watch = Watch()
    player = Player(watch, site=deepcopy(TWO_ACCEPTED))
    for steps in upsets:
        player.play(steps)
        for zone in (1, 2):
            player.mend(zone)
    return watch


@settings(QUICK, max_examples=40)
@given(st.lists(st.lists(UPSET, min_size=1, max_size=3), min_size=1, max_size=3))
def test_an_accepted_job_upset_and_mended_is_accepted_only_by_the_rules(upsets):
    target(float(upset_and_mended(upsets).accepted))


@pytest.mark.long
@settings(QUICK, max_examples=120)
@given(st.lists(st.lists(UPSET, min_size=1, max_size=5), min_size=1, max_size=3))
def test_an_accepted_job_often_upset_is_accepted_only_by_the_rules(upsets):
    target(float(upset_and_mended(upsets).accepted))


@pytest.mark.long
@MANY
@given(st.lists(STEP, min_size=20, max_size=45), st.booleans())
def test_no_long_path_reaches_accepted_without_what_the_rules_ask(steps, drops_asked):
    _, watch = played(steps, drops_asked=drops_asked)
    target(float(watch.accepted))


def test_played_jobs_reach_acceptance():
    reached, kinds = 0, Counter()
    for seed in (0, 1, 2, 6, 8, 13, 15, 17, 18, 20, 21, 22):
        site, watch = played(drawn_steps(seed), drops_asked=seed % 2 == 0)
        reached += watch.accepted > 0
        kinds.update(entry.content.kind for entry in site.entries)
    assert reached >= 9
    assert set(kinds) == set(KINDS)


@QUICK
@given(STEPS, st.integers(0, 10**6))
def test_the_book_is_a_function_of_its_entries_whatever_was_refused(steps, cut):
    site, _ = played(steps)
    assert vars(JobBook(site.entries)) == vars(site.book)
    some = JobBook(site.entries[: cut % len(site.entries)])
    for entry in site.entries[len(some.notes) :]:
        enter(some, entry.content, entry.stamp, entry.number)
    assert vars(some) == vars(site.book)
    for zone in site.book.zones:
        assert zone_standing(some, zone, site.now) == site.standing(zone)


@settings(QUICK, max_examples=10)
@given(STEPS)
def test_every_beginning_of_a_record_is_a_record(steps):
    site, _ = played(steps)
    for length in range(1, len(site.entries)):
        begun = site.entries[:length]
        assert check_chain(begun) == site.entries[length].previous
        book = JobBook(begun)
        check_entry(book, site.entries[length].content, site.entries[length].stamp)
        for zone in book.zones:
            now = begun[-1].stamp.at_utc
            if zone_standing(book, zone, now).standing == "accepted":
                assert denies(begun, zone, now) == []


@settings(QUICK, max_examples=30)
@given(
    st.lists(st.tuples(st.integers(0, 200), st.integers(0, 200)), max_size=12),
    st.randoms(use_true_random=False),
)
def test_entries_in_another_order_accept_nothing_that_the_rules_deny(moves, random):
    order = list(TWO_ACCEPTED.entries)
    for start, end in moves:
        order.insert(end % len(order), order.pop(start % len(order)))
    judged_rightly(entered_again(order))
    random.shuffle(order)
    judged_rightly(entered_again(order))


def test_every_entry_of_a_plain_record_is_needed_but_the_system():
    entries = accepted_site().entries
    spare = {"job-opened", "system-named"}
    for index, entry in enumerate(entries):
        again = entered_again(entries[:index] + entries[index + 1 :])
        accepted = 1 in again.book.zones and again.standing().standing == "accepted"
        assert accepted == (entry.content.kind in spare), entry.content.kind


def test_the_oracle_sees_what_is_left_out():
    entries = accepted_site().entries
    assert denies(entries, 1, entries[-1].stamp.at_utc) == []
    for index, entry in enumerate(entries):
        if entry.content.kind in {"job-opened", "system-named", "capture-filed", "zone-laid-out"}:
            continue
        # Numbers close up, as in a record that never had the entry.
        without = [
            replace(e, number=n) for n, e in enumerate(entries[:index] + entries[index + 1 :], start=1)
        ]
        assert denies(without, 1, entries[-1].stamp.at_utc), entry.content.kind


@pytest.mark.parametrize("batches", [(1, 7, 2), (40,), (3, 1, 1, 11)])
def test_a_store_closed_and_opened_at_any_entry_gives_the_same_book(tmp_path, batches):
    left = accepted_site().entries
    told = JobBook()
    sizes = cycle(batches)
    while left:
        size = next(sizes)
        now, left = left[:size], left[size:]
        with open_store(tmp_path / "store", create=True) as store:
            for entry in now:
                content = _with_stored_files(store, entry.content)
                store.append("DP01", [content], entry.stamp, check=_gates(content, entry))
                enter(told, content, entry.stamp, entry.number)
        with open_store(tmp_path / "store", create=False) as store:
            stored = store.entries("DP01")
        assert vars(JobBook(stored)) == vars(told)
        assert check_chain(stored) == stored[-1].digest
    assert zone_standing(JobBook(stored), 1, stored[-1].stamp.at_utc).standing == "accepted"


def _with_stored_files(store: Ledger, content: Content) -> Content:
    """The same content, its invented files stored under the hash of what they hold."""
    text = content_json(content)
    for ref in files_of(content):
        text = text.replace(ref.sha256, store.keep_file(ref.sha256.encode(), ref.name).sha256)
    return content_from(text)


def _gates(content: Content, entry: Entry) -> Callable[[tuple[Entry, ...]], None]:
    return lambda entries: check_entry(JobBook(entries), content, entry.stamp)


def test_a_lead_can_not_sign_for_want_of_one_reading():
    site = Site()
    site.do_papers()
    site.do_work()
    *most, last = sorted(site.book.zones[1].spots)
    site.do_spots(spots=most)
    site.do_shot(1, last)
    site.do_rest()
    with pytest.raises(InputError, match="has no blind chip reading in round 1"):
        site.say(SignedOff(zone=1))
    site.do_read(1, last)
    site.say(SignedOff(zone=1))
    assert site.standing().signed_by == LEAD
    assert sum(isinstance(entry.content, ChipRead) for entry in site.entries) == 4
