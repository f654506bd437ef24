"""The shipped suite is traced: each profile has an id of its own and names requirements that are written down."""

import re
from collections import Counter

from ventproof.cli.options import SHIPPED
from ventproof.profile.load import load_profile

ROOT = SHIPPED.parent
SUITE = {path: load_profile(path).model for path in sorted(ROOT.rglob("*.yaml"))}
LISTED = re.findall(
    r"^\| (OSM-R-\d+) \|", (ROOT / "requirements.md").read_text(encoding="utf-8"), re.MULTILINE
)


def test_every_profile_has_an_id_of_its_own():
    """No profile is without an id, and no two have one."""
    counts = Counter(profile.id for profile in SUITE.values())
    assert [ident for ident, count in counts.items() if not ident or count > 1] == []


def test_every_profile_names_a_requirement():
    """The requirements of all profiles are those of the list, and no other."""
    assert [path.name for path, profile in SUITE.items() if not profile.requirements] == []
    named = {name for profile in SUITE.values() for name in profile.requirements}
    assert sorted(named) == sorted(LISTED)


def test_every_requirement_is_listed_once():
    """An id says one thing."""
    assert [ident for ident, count in Counter(LISTED).items() if count > 1] == []
