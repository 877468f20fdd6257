"""The published studies: carries them out, and writes the tables that are made from them.

``python docs/campaigns.py`` writes the tables from the studies stored in ``docs/campaigns/``.
``python docs/campaigns.py --run`` carries the campaigns out first and stores what they came to; a
run that was stopped goes on where it was, by its journal in ``results/campaigns/``. A test compares
the pages with the stored studies.
"""

from __future__ import annotations

import argparse
import hashlib
import sys
from collections.abc import Sequence
from pathlib import Path
from time import monotonic

from study_tables import PAGES, STUDIES, Studies

from harness.profile.load import load_profile
from harness.qualify.campaign import OnProgress, qualify_lots
from harness.qualify.study import Size, Study, lots_of, study_of

__all__ = ["PAGES", "stored", "with_tables"]

ROOT = Path(__file__).parents[1]
FOLDER = Path(__file__).parent / "campaigns"
SEEDS = (1, 2, 3)
#: What decides how a unit of a study ends, apart from the size of the study.
_SOURCES = ("harness", "profiles", "shared", "sim_configs")


def stored() -> Studies:
    """Return the stored studies by the name of the profile."""
    return {
        name: Study.from_json((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
        for name in STUDIES
    }


def with_tables(page: str, text: str, studies: Studies) -> str:
    """Return a page with its tables made from studies; each stands between two comments."""
    for name, table in PAGES[page].items():
        before, head, rest = text.partition(f"<!-- table: {name} -->\n")
        _, end, after = rest.partition("<!-- end -->")
        assert end, f"no place for the table {name!r}"
        lines = "".join(f"{line}\n" for line in table(studies))
        text = f"{before}{head}\n{lines}\n{end}{after}"
    return text


# --- carrying them out


def _run(share: float, names: Sequence[str]) -> None:
    FOLDER.mkdir(exist_ok=True)
    state = _state()
    for name in names or STUDIES:
        called, usual = STUDIES[name]
        size = Size(
            faulty=_some(usual.faulty, share, len(SEEDS)),
            healthy=_some(usual.healthy, share, len(SEEDS)),
            swept=_some(usual.swept, share),
            swept_healthy=_some(usual.swept_healthy, share),
        )
        profile = load_profile(name)
        # What was carried out by another state of the program is never gone on with.
        out = ROOT / "results" / "campaigns" / f"{name}-{size.faulty}-{state}"
        campaign = qualify_lots(
            profile, lots_of(profile, SEEDS, size), out=out, on_progress=_told(called)
        )
        text = study_of(campaign).to_json()
        (FOLDER / f"{name}.json").write_text(text, encoding="utf-8", newline="\n")


def _some(units: int, share: float, each: int = 1) -> int:
    """Return a share of a number of units, as many for each, and one at least."""
    return max(each, int(units * share) // each * each)


def _state() -> str:
    """Return a name for the state of what decides how a unit ends."""
    digest = hashlib.sha256()
    for folder in _SOURCES:
        for path in sorted((ROOT / folder).rglob("*")):
            if path.is_file() and path.suffix != ".pyc":
                digest.update(path.relative_to(ROOT).as_posix().encode())
                digest.update(path.read_bytes())
    return digest.hexdigest()[:12]


def _told(called: str) -> OnProgress:
    """Return what says how far a study is, each twentieth of the way."""
    started_s = monotonic()
    shown = -1

    def told(done: int, units: int) -> None:
        nonlocal shown
        if (part := 20 * done // units) > shown:
            shown = part
            passed_s = monotonic() - started_s
            line = f"{called}: {done} of {units} units, {passed_s:.0f} s"
            print(line, file=sys.stderr, flush=True)  # noqa: T201

    return told


def main() -> None:
    """Write the tables, after the campaigns where they are asked for."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--run", action="store_true", help="carry the campaigns out first")
    parser.add_argument(
        "--share", type=float, default=1.0, help="with --run: this share of the units, to try it"
    )
    parser.add_argument("--only", nargs="+", default=(), choices=STUDIES, help="these profiles")
    given = parser.parse_args()
    if given.run:
        _run(given.share, given.only)
    studies = stored()
    for page in PAGES:
        path = FOLDER.parent / page
        text = with_tables(page, path.read_text(encoding="utf-8"), studies)
        path.write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    main()
