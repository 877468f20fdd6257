from __future__ import annotations

import pytest

from harness.bench.clock import awake_s, elapsed_s
from harness.power.attention import Lookout, Silence

#: What passes on either clock between two looks, and what is found.
LOOKS = [
    (0.05, 0.05, None),
    (0.5, 0.5, None),
    (2.0, 2.0, None),
    (2.01, 2.01, "for 2.01 s: the program got no time to run"),
    (20.0, 20.0, "for 20 s: the program got no time to run"),
    (0.05, 0.24, None),  # the coarsest clock moves in steps
    (0.05, 0.3, "for 0.3 s: the computer slept"),
    (0.05, 20.0, "for 20 s: the computer slept"),
    (5.0, 3605.0, "for 3605 s: the computer slept"),
]


class Clocks:
    """The machine's two clocks as a test moves them."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.awake_s, self.elapsed_s = 100.0, 7000.0
        monkeypatch.setattr("harness.power.attention.awake_s", lambda: self.awake_s)
        monkeypatch.setattr("harness.power.attention.elapsed_s", lambda: self.elapsed_s)

    def go_on(self, awake_s: float, elapsed_s: float | None = None) -> None:
        """Let time pass, without sleep where a test says nothing else."""
        self.awake_s += awake_s
        self.elapsed_s += awake_s if elapsed_s is None else elapsed_s


@pytest.fixture
def clocks(monkeypatch: pytest.MonkeyPatch) -> Clocks:
    return Clocks(monkeypatch)


class TestLookout:
    @pytest.mark.parametrize(("awake", "elapsed", "found"), LOOKS)
    def test_a_gap_between_two_looks(
        self, clocks: Clocks, awake: float, elapsed: float, found: str | None
    ) -> None:
        """Sleep is what the clocks differ by; a gap without it is a process held up."""
        lookout = Lookout()
        clocks.go_on(awake, elapsed)

        assert lookout.look(live=True) == found

    def test_each_gap_counts_from_the_look_before(self, clocks: Clocks) -> None:
        """Many short gaps are no long one."""
        lookout = Lookout()
        for _ in range(99):
            clocks.go_on(1.5)
            assert lookout.look(live=True) is None

        clocks.go_on(350.0)
        assert lookout.look(live=True) is not None

    def test_only_what_happens_under_power_counts(self, clocks: Clocks) -> None:
        """A machine that sleeps before power is on has left nothing alone; later, it has."""
        lookout = Lookout()
        clocks.go_on(100.0)
        assert lookout.look(live=False) is None
        clocks.go_on(0.1)
        assert lookout.look(live=True) is None

        clocks.go_on(20.0)
        found = lookout.look(live=True)
        assert found == "for 20 s: the program got no time to run"
        clocks.go_on(0.1)
        assert lookout.look(live=False) == found

    def test_what_was_found_first_is_kept(self, clocks: Clocks) -> None:
        """A second gap does not take the place of the first, which power was cut for."""
        lookout = Lookout()
        clocks.go_on(20.0)
        found = lookout.look(live=True)
        clocks.go_on(30.0)

        assert lookout.look(live=True) == found

    def test_the_clocks_of_this_machine_run_alike(self) -> None:
        """While the machine is awake the two clocks differ by a constant."""
        before = elapsed_s() - awake_s()
        after = elapsed_s() - awake_s()

        assert abs(after - before) < 0.1


class TestSilence:
    def test_it_counts_from_the_last_sign_of_life(self) -> None:
        """With looks in between, silence is the time since something was heard."""
        silence = Silence(0.0)
        silence.heard(1.0)

        assert [silence.look(1.0 + n / 10) for n in range(8)][-1] == pytest.approx(0.7)

    def test_time_in_which_nobody_listened_does_not_count(self) -> None:
        """Held up for a minute, a process hears what came in meanwhile before it judges."""
        silence = Silence(0.0)
        silence.look(0.05)

        assert silence.look(60.0) == pytest.approx(0.05)
        assert silence.look(60.2) == pytest.approx(0.25)

    def test_what_was_heard_on_the_way_is_no_silence_to_come(self) -> None:
        """A sign of life that came in as the process went on counts from then, and no later."""
        silence = Silence(0.0)
        silence.heard(59.99)

        assert silence.look(60.0) == 0.0
        assert silence.look(60.1) == pytest.approx(0.1)
