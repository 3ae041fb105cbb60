"""The committed extract of open weekly data, as arrays."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

EXTRACT = Path(__file__).parent.parent / "fixtures" / "open" / "weekly_units_extract.csv"


@dataclass(frozen=True)
class WeeklyUnits:
    """Units (series, weeks), and the product of each series (series,)."""

    units: npt.NDArray[np.float64]
    product: npt.NDArray[np.int64]


def weekly_units(path: Path = EXTRACT) -> WeeklyUnits:
    """Read such a file, packed or not."""
    table = pd.read_csv(path)
    return WeeklyUnits(table.iloc[:, 2:].to_numpy(float), table["product_id"].to_numpy(np.int64))
