"""What a fitted mixed model holds: estimates, predictions, residuals, and its state in words.

Numbers are in the unit of the response (variances in its square).  Tests are in `mixed_model_fit`.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from psdstats.models.design_fixed import FixedDesign
from psdstats.models.design_random import RandomDesign
from psdstats.models.engine import BatchFit
from psdstats.models.mixed_model_effects import Effects, predict_effects
from psdstats.models.mixed_model_tests import Boundary, Inference, Method, choice
from psdstats.models.mixed_model_words import design_cautions, fit_sentence, fit_status

if TYPE_CHECKING:
    from psdstats.models.mixed_model import MixedModel

__all__ = ["FittedModel"]

Array = NDArray[np.float64]


@dataclass(frozen=True, kw_only=True, eq=False)
class FittedModel:
    """One response fitted.

    Parameters
    ----------
    model : MixedModel
        What was asked.
    response : ndarray, shape (n,)
        Its values.
    fixed : FixedDesign
        X and its meaning.
    random : RandomDesign
        Groupings and their covariance matrices.
    batch : BatchFit
        A batch of one.
    """

    model: MixedModel
    response: Array
    fixed: FixedDesign
    random: RandomDesign
    batch: BatchFit

    @cached_property
    def inference(self) -> Inference:
        """What all tests of this fit share."""
        drop = Boundary(self.model.boundary) is Boundary.DROP
        return Inference.of(self.batch, drop_edges=drop)

    @property
    def status(self) -> str:
        """State of the fit in words: "converged", or what is at the boundary or went wrong."""
        return fit_status(self.batch, self.random)

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to allow for when the tests are read, as sentences; see `design_cautions`."""
        return design_cautions(self.batch)

    @property
    def sentence(self) -> str:
        """The model actually fitted, as a sentence."""
        return fit_sentence(self.model.response, self.fixed, self.random, self.batch, self.status)

    @property
    def reml_log_likelihood(self) -> float:
        """Restricted log likelihood; the full one after a fit by it."""
        return float(self.batch.log_likelihood[0])

    @cached_property
    def variance_components(self) -> pd.Series:
        """Variances (and covariances of slopes) by component; exactly 0 at the boundary."""
        index = pd.Index(self.random.names, name="component")
        return pd.Series(self.batch.theta[0].copy(), index=index, name="variance")

    @cached_property
    def effects(self) -> Effects:
        """Predicted random effects and fitted values."""
        return predict_effects(self.response, self.fixed.matrix, self.batch, self.random)

    @property
    def random_effects(self) -> pd.DataFrame:
        """Best linear unbiased predictions: grouping, level, effect, estimate, standard_error."""
        return self.effects.table

    @property
    def fitted(self) -> Array:
        """Fixed effects plus predicted random effects, shape (n,)."""
        return self.effects.fitted

    @property
    def residuals(self) -> Array:
        """Response minus `fitted`, shape (n,)."""
        return self.response - self.fitted

    @cached_property
    def fixed_effects(self) -> pd.DataFrame:
        """Coefficients with Kenward–Roger inference at 95 %; see `coefficients`."""
        return self.coefficients()

    def coefficients(
        self, *, method: Method | str = Method.KENWARD_ROGER, level: float = 0.95
    ) -> pd.DataFrame:
        """Coefficients by name.

        Parameters
        ----------
        method : {"kenward-roger", "satterthwaite"}
            Degrees of freedom, and which standard error t and the interval use.
        level : float, default=0.95
            Confidence level.

        Returns
        -------
        DataFrame
            Columns estimate, standard_error (generalised least squares), standard_error_adjusted
            (Kenward–Roger), df, t, p, lower, upper.
        """
        chosen = Method(choice(Method, method, "The method"))
        return self.inference.coefficient_table(self.fixed.names, chosen, level)
