"""What a fit says of itself: which resistances it tells, and why it tells others not."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from wallsim.errors import InputError
from wallsim.estimate.identify import has_value

RESULT = "result.json"


@dataclass(frozen=True, slots=True)
class Told:
    """What a fit says of itself.

    Parameters
    ----------
    folder : Path
        Of its result.
    valued : tuple of str
        Blends whose R it tells.
    problems : tuple of str
        Why it is not to be relied on.
    untold : mapping of str to str
        Blends of which it tells neither a value nor an upper limit of R, and why.
    """

    folder: Path
    valued: tuple[str, ...]
    problems: tuple[str, ...]
    untold: Mapping[str, str]

    @classmethod
    def by(cls, folder: Path) -> Told:
        """Read what the fit in ``folder`` says.

        Raises
        ------
        InputError
            If there is no readable result of a fit.
        """
        path = Path(folder) / RESULT
        try:
            document = json.loads(path.read_text(encoding="utf-8"))
            deposits = {n: b["deposit"] for n, b in document["blends"].items() if b["deposit"]}
            untold = {n: str(d.get("reason") or "not identifiable") for n, d in deposits.items()
                      if not d["identifiable"]}
            problems = [v["text"] for v in document["verdict"] if v["level"] == "bad"]
            if not document["fit"]["converged"]:
                problems.insert(0, "it did not converge")
        except FileNotFoundError:
            raise InputError(f"{folder}: has no {RESULT}; name the folder of a fit") from None
        except (OSError, ValueError, KeyError, TypeError, AttributeError) as error:
            raise InputError(f"{path}: is not the result of a fit; run the fit again") from error
        valued = tuple(n for n, d in deposits.items() if has_value(d))
        return cls(Path(folder), valued, tuple(problems), untold)
