"""Rain positions of the trade: a unit that closes its roof vents to 5 % and its side vents to 50 % does so exactly."""

from __future__ import annotations

from pathlib import Path

import pytest
from ruamel.yaml import YAML

import ventproof_bench
from ventproof_bench.mock.settings import MockSettings
from ventproof_bench.mock.unit import build
