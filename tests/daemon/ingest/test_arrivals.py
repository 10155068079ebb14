"""The state machine of arrivals, by example and by random histories."""

from __future__ import annotations

from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, precondition, rule

from daemon.ingest.arrivals import Arrivals, DropState
from daemon.ingest.grouping import Candidate, FileFact, Kind, make
from daemon.ingest.pending import Phase


def beat(key: str = "a.wav", size: int = 10, version: int = 1) -> Candidate:
    return make(key, Kind.FILE, [FileFact(key, size, version, version, 1)])


def settled(arrivals: Arrivals, candidate: Candidate, now: float = 0.0) -> None:
    arrivals.see(candidate, now)
    arrivals.see(candidate, now + arrivals.settle_s)
    [entry] = [e for e in arrivals.quiet(now + arrivals.settle_s) if e.key == candidate.key]
    arrivals.enqueue(entry.key)


def test_one_look_is_not_enough_however_long_ago() -> None:
    arrivals = Arrivals(2.0)
    arrivals.see(beat(), 0.0)

    assert arrivals.quiet(100.0) == []


def test_quiet_after_the_settling_time_without_change() -> None:
    arrivals = Arrivals(2.0)
    arrivals.see(beat(), 0.0)
    arrivals.see(beat(), 1.9)
    assert arrivals.quiet(1.9) == []
    arrivals.see(beat(), 2.0)

    assert [e.key for e in arrivals.quiet(2.0)] == ["a.wav"]


def test_every_change_starts_the_settling_time_anew() -> None:
    arrivals = Arrivals(2.0)
    for step in range(100):
        arrivals.see(beat(version=step), float(step))
        assert arrivals.quiet(float(step)) == []
    arrivals.see(beat(version=99), 101.0)

    assert [e.key for e in arrivals.quiet(101.0)] == ["a.wav"]


def test_what_was_renamed_into_place_is_not_waited_for() -> None:
    arrivals = Arrivals(2.0)
    arrivals.see(beat(), 0.0)
    arrivals.moved_in("a.wav")
    assert [e.key for e in arrivals.quiet(0.0)] == ["a.wav"]
    arrivals.see(beat(version=2), 0.1)  # but it changes after that

    assert arrivals.quiet(0.1) == []


def test_times_tell_a_rename_where_no_event_does() -> None:
    """Common practice: writing moves both times; a rename, or a copy that keeps times, only the inode."""
    arrivals = Arrivals(2.0)
    second = 1_000_000_000
    arrivals.see(make("old.wav", Kind.FILE, [FileFact("old.wav", 10, 5 * second, 9 * second, 1)]), 0.0)
    arrivals.see(make("new.wav", Kind.FILE, [FileFact("new.wav", 10, 9 * second, 9 * second, 2)]), 0.0)
    arrivals.see(make("share.wav", Kind.FILE, [FileFact("share.wav", 10, 5 * second, 0, 0)]), 0.0)
    arrivals.see(make("p/old.wav", Kind.FILE, [FileFact("p/old.wav", 10, 5 * second, 9 * second, 1)]), 0.0)

    assert [e.key for e in arrivals.quiet(0.0)] == ["old.wav"]


def test_the_pauses_of_a_drop_are_remembered() -> None:
    arrivals = Arrivals(2.0)
    for step, (size, now) in enumerate([(10, 0.0), (20, 3.0), (30, 11.0), (40, 12.0)]):
        arrivals.see(beat(size=size, version=step), now, begun=True)
    entry = arrivals.entries["a.wav"]

    assert (entry.longest_pause_s, entry.appending, entry.filling) == (8.0, True, False)
    assert arrivals.patience(entry, 5.0) == 24.0
    assert arrivals.patience(entry, 30.0) == 30.0
    arrivals.see(beat(size=40, version=9), 13.0)

    assert entry.appending
    assert not entry.filling


def test_a_file_written_to_within_its_length_is_being_filled() -> None:
    arrivals = Arrivals(2.0)
    arrivals.see(beat(size=40), 0.0)
    arrivals.see(beat(size=40, version=9), 1.0)
    entry = arrivals.entries["a.wav"]

    assert entry.filling
    assert not entry.appending


def test_growth_of_a_folder_is_that_of_each_file_in_it() -> None:
    """Another stem makes the folder longer, and says nothing of the one whose space is reserved."""

    def folder(*files: tuple[str, int, int]) -> Candidate:
        facts = [FileFact(f"x stems/{name}", size, time, time, 7) for name, size, time in files]
        return make("x stems", Kind.STEMS, facts)

    arrivals = Arrivals(2.0)
    arrivals.see(folder(("bass.wav", 40, 1)), 0.0)
    entry = arrivals.entries["x stems"]
    arrivals.see(folder(("bass.wav", 40, 1), ("keys.wav", 10, 2)), 1.0)
    assert not entry.filling
    assert not entry.appending
    arrivals.see(folder(("bass.wav", 40, 3), ("keys.wav", 30, 3)), 2.0)

    assert entry.filling
    assert not entry.appending
    arrivals.see(folder(("bass.wav", 60, 4), ("keys.wav", 30, 3)), 3.0)
    assert not entry.filling


def test_a_drop_that_goes_on_after_it_was_done_had_paused() -> None:
    arrivals = Arrivals(2.0)
    settled(arrivals, beat())
    arrivals.start("a.wav")
    arrivals.finish("a.wav", 10.0)
    arrivals.see(beat(size=20, version=2), 25.0)
    assert arrivals.entries["a.wav"].longest_pause_s == 15.0
    arrivals.vanish("a.wav")
    arrivals.see(beat(size=20, version=3), 30.0)

    assert arrivals.entries["a.wav"].longest_pause_s == 0.0


def test_a_look_is_due_only_when_it_can_tell_something() -> None:
    arrivals = Arrivals(2.0)
    arrivals.see(beat(), 0.0)
    assert arrivals.due_for_a_look(1.0) == []
    assert len(arrivals.due_for_a_look(2.0)) == 1
    arrivals.hold("a.wav", "open", 5.0)

    assert arrivals.due_for_a_look(4.0) == []
    assert arrivals.quiet(4.0) == []


def test_a_change_while_waiting_goes_back_to_arriving() -> None:
    arrivals = Arrivals(1.0)
    settled(arrivals, beat())
    arrivals.see(beat(version=2), 5.0)

    assert arrivals.entries["a.wav"].phase is Phase.ARRIVING
    assert arrivals.next_waiting(9.0) is None


def test_a_change_while_running_spoils_the_result_and_it_is_done_again() -> None:
    arrivals = Arrivals(1.0)
    settled(arrivals, beat())
    arrivals.start("a.wav")
    arrivals.see(beat(version=2), 3.0)
    assert arrivals.state_of("a.wav") is DropState.CHANGED
    arrivals.put_back("a.wav")

    assert arrivals.entries["a.wav"].phase is Phase.ARRIVING


def test_a_change_and_back_while_running_keeps_the_result() -> None:
    arrivals = Arrivals(1.0)
    settled(arrivals, beat())
    arrivals.start("a.wav")
    arrivals.see(beat(version=2), 3.0)
    arrivals.see(beat(version=1), 4.0)

    assert arrivals.state_of("a.wav") is DropState.UNCHANGED


def test_withdrawn_while_running() -> None:
    arrivals = Arrivals(1.0)
    settled(arrivals, beat())
    arrivals.start("a.wav")
    arrivals.vanish("a.wav")
    assert arrivals.state_of("a.wav") is DropState.WITHDRAWN
    arrivals.put_back("a.wav")

    assert arrivals.entries == {}


def test_done_drops_are_not_taken_again_until_they_change() -> None:
    arrivals = Arrivals(1.0)
    settled(arrivals, beat())
    arrivals.start("a.wav")
    arrivals.finish("a.wav")
    arrivals.see(beat(), 10.0)
    assert arrivals.entries == {}
    arrivals.see(beat(version=2), 11.0)

    assert arrivals.entries["a.wav"].phase is Phase.ARRIVING


def test_done_in_an_earlier_life() -> None:
    arrivals = Arrivals(1.0)
    arrivals.remember("a.wav", beat().stat_digest)
    arrivals.see(beat(), 0.0)

    assert arrivals.entries == {}


def test_a_full_look_forgets_what_is_gone_but_not_what_is_hidden() -> None:
    arrivals = Arrivals(1.0)
    for key in ("a.wav", "p/b.wav", "q/c.wav"):
        arrivals.see(beat(key), 0.0)
    arrivals.see_all([beat("a.wav")], 1.0, unreadable=["p"])

    assert sorted(arrivals.entries) == ["a.wav", "p/b.wav"]


def test_small_drops_first_but_age_counts() -> None:
    arrivals = Arrivals(1.0)
    settled(arrivals, beat("long.wav", size=1_000_000_000), 0.0)
    settled(arrivals, beat("small.wav", size=10_000_000), 10.0)
    first = arrivals.next_waiting(20.0)
    assert first is not None
    assert first.key == "small.wav"
    for number in range(100):
        settled(arrivals, beat(f"later{number}.wav", size=10_000_000), 1000.0)
    first = arrivals.next_waiting(1002.0)

    assert first is not None
    assert first.key == "small.wav"
    arrivals.start("small.wav")
    arrivals.finish("small.wav")
    first = arrivals.next_waiting(1002.0)
    assert first is not None
    assert first.key == "long.wav"  # it has waited 1000 s: worth 4 GB


def test_postponed_work_waits() -> None:
    arrivals = Arrivals(1.0)
    settled(arrivals, beat())
    arrivals.start("a.wav")
    arrivals.put_back("a.wav", "disk full", until=50.0)

    assert arrivals.next_waiting(49.0) is None
    assert arrivals.next_waiting(50.0) is not None


class RandomHistory(RuleBasedStateMachine):
    """A producer who creates, grows, replaces and deletes at random, and a service that works in between."""

    def __init__(self) -> None:
        super().__init__()
        self.arrivals = Arrivals(2.0)
        self.now = 0.0
        self.folder: dict[str, int] = {}  # what lies there: name -> version
        self.versions = 0
        self.published: list[tuple[str, int]] = []
        self.working_on: tuple[str, int] | None = None
        self.seen_done: set[tuple[str, int]] = set()  # published, and there at every look since

    names = st.sampled_from(["a.wav", "b.wav", "c.wav"])

    @rule(name=names)
    def write(self, name: str) -> None:
        self.versions += 1
        self.folder[name] = self.versions

    @rule(name=names)
    def delete(self, name: str) -> None:
        self.folder.pop(name, None)

    @rule(a=names, b=names)
    def rename(self, a: str, b: str) -> None:
        if a in self.folder and a != b:
            self.folder[b] = self.folder.pop(a)

    @rule(seconds=st.sampled_from([0.1, 1.0, 2.0, 5.0]))
    def wait(self, seconds: float) -> None:
        self.now += seconds

    @rule()
    def look(self) -> None:
        self.arrivals.see_all([beat(n, version=v) for n, v in self.folder.items()], self.now)
        self.seen_done &= set(self.folder.items())

    @rule(name=names)
    def event(self, name: str) -> None:
        if name in self.folder:
            self.arrivals.see(beat(name, version=self.folder[name]), self.now)
        else:
            self.arrivals.vanish(name)
        self.seen_done = {item for item in self.seen_done if item[0] != name or item in self.folder.items()}

    @rule()
    def settle(self) -> None:
        for entry in self.arrivals.quiet(self.now):
            self.arrivals.enqueue(entry.key)

    @precondition(lambda self: self.working_on is None)
    @rule()
    def start(self) -> None:
        entry = self.arrivals.next_waiting(self.now)
        if entry is not None:
            version = entry.candidate.members[0].mtime_ns
            self.working_on = (entry.key, version)
            self.arrivals.start(entry.key)

    @precondition(lambda self: self.working_on is not None)
    @rule()
    def finish(self) -> None:
        assert self.working_on is not None
        key, version = self.working_on
        self.event(key)  # the fresh look before a result counts
        if self.arrivals.state_of(key) is DropState.UNCHANGED:
            assert self.folder.get(key) == version, "a result for something that lies there no more"
            assert (key, version) not in self.seen_done, "the same thing twice"
            self.seen_done.add((key, version))
            self.published.append((key, version))
            self.arrivals.finish(key)
        else:
            self.arrivals.put_back(key)
        self.working_on = None

    def teardown(self) -> None:
        """Left alone, everything that lies there ends up published, once looks go on."""
        if self.working_on is not None:
            self.finish()
        for _ in range(40):
            self.wait(2.0)
            self.look()
            self.settle()
            while self.working_on is None and self.arrivals.next_waiting(self.now):
                self.start()
                self.finish()
        for name, version in self.folder.items():
            assert (name, version) in self.published
        assert not self.arrivals.entries


RandomHistory.TestCase.settings = hypothesis_settings(max_examples=60, stateful_step_count=40)
TestRandomHistory = RandomHistory.TestCase
