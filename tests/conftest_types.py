"""Types that several tests share."""

from collections.abc import Callable
from typing import Any

Run = Callable[..., Any]
