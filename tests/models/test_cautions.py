"""Designs in which tests miss their level say so, and only those; figures of the calibration."""

import itertools

import numpy as np
import pandas as pd
import pytest

from psdstats.models import MixedModel
from psdstats.words.remarks import sentence


def fitted(groups, times, replicates=1, *, cells=False, lost=0, known=False):
    rows = list(itertools.product(range(groups), range(times), range(replicates)))
    frame = pd.DataFrame(rows, columns=["group", "time", "replicate"]).astype(str)
    frame["y"] = np.random.default_rng(1).normal(size=len(frame))
    frame = frame.drop(index=frame.index[::4][:lost])
    covariance = None
    if known:
        odd = (frame["group"] == "0").to_numpy()
        covariance = 0.4 * (odd[:, None] == odd) + 0.1 * np.eye(len(frame))
    random = ["group", ("group", "time")] if cells else ["group"]
    model = MixedModel(
        frame,
        response="y",
        fixed=["time"],
        random=random,
        known_covariance=covariance,
        boundary="free",
    )
    return model.fit()


@pytest.mark.parametrize(
    "design",
    [
        {"groups": 2, "times": 3},
        {"groups": 3, "times": 3, "replicates": 2, "cells": True},
        {"groups": 3, "times": 5, "lost": 4},
        {"groups": 3, "times": 5, "known": True},
        {"groups": 4, "times": 4, "replicates": 2, "cells": True, "known": True},
    ],
)
def test_designs_within_the_band_have_no_caution(design):
    assert fitted(**design).cautions == ()


@pytest.mark.parametrize(
    ("design", "words"),
    [
        ({"groups": 2, "times": 4, "replicates": 3, "cells": True, "lost": 6}, "is incomplete"),
        ({"groups": 2, "times": 3, "known": True}, "Only 6 runs for 2 estimated variances beside"),
        ({"groups": 3, "times": 3, "known": True}, "6 to 7 % at 5 %"),
        ({"groups": 2, "times": 3, "replicates": 2, "cells": True, "known": True}, "two groups"),
        ({"groups": 3, "times": 3, "replicates": 2, "cells": True, "known": True}, "about 6 %"),
    ],
)
def test_designs_beyond_it_say_so(design, words):
    (caution,) = fitted(**design).cautions
    assert words in sentence(caution)
    assert ("incomplete" in sentence(caution)) == bool(design.get("lost"))
