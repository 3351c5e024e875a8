"""The one model of a trial's factors: which effects its design can estimate, and how well they are known.

Effects, response surface and advice all read it, so that none contradicts another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..experiment.comparing import t_quantile, two_sided_p
from ..experiment.factors import BLOCK, Run
from ..experiment.terms import Term, main_terms, matrix_of, product_terms, separate, square_terms
from .design import Design

Floats = NDArray[np.float64]
# A factor that others explain to more than this (variance inflation 20) is not separated from them.
_LEAST_SHARE = 0.05
# Degrees of freedom that second-order effects leave to the error, unless they cost the others nothing.
LEAST_DF = 3
# Effects from the smallest of which an error can be guessed.
_LENTH = 5
# Residuals below this share of the spread are rounding: the model then describes the welds to the last digit.
_EXACT = 1e-9


@dataclass(frozen=True)
class FactorModel:
    """A linear model of the index, fitted by least squares.

    Attributes
    ----------
    terms
        What is estimated, the block first; the constant comes before all.
    coefficients
        Of the matrix's columns, shape (p,), index points.
    inverse
        Inverse of X'X, shape (p, p).
    variance, df
        Of a weld about the model, index points squared, and its degrees of freedom; NaN and 0 where no error is known.
    error_from
        ``residuals``, ``lenth`` (guessed from the smallest effects) or empty where no error is known.
    rows
        Welds in it.
    remarks
        What cannot be estimated, and what the error rests on, one sentence each.
    """

    terms: tuple[Term, ...]
    coefficients: Floats
    inverse: Floats
    variance: float
    df: float
    error_from: str
    rows: int
    remarks: tuple[str, ...] = ()

    def places(self, term: Term) -> NDArray[np.int64]:
        """Columns of the matrix that belong to a term."""
        start = 1
        for other in self.terms:
            width = other.width
            if other == term:
                return np.arange(start, start + width)
            start += width
        raise ValueError(f"{term.name} is no term of the model")

    def chosen_places(self) -> NDArray[np.int64]:
        """Columns of all that can be chosen: factors and shape, without constant and block."""
        places = [self.places(term) for term in self.terms if term.first.name != BLOCK]
        return np.concatenate(places) if places else np.zeros(0, dtype=np.int64)

    def matrix(self, runs: Sequence[Run]) -> Floats:
        """Rows of the matrix for settings; at the mean of the blocks where they name none."""
        return matrix_of(self.terms, runs)

    def predict(self, rows: Floats) -> tuple[Floats, Floats]:
        """Mean index and its standard error at rows of the matrix; the error is NaN where none is known."""
        spread = np.einsum("ni,ij,nj->n", rows, self.inverse, rows)
        return rows @ self.coefficients, np.sqrt(np.maximum(spread, 0) * self.variance)

    def predict_one(self, run: Run) -> tuple[float, float]:
        """`predict` for one setting."""
        mean, error = self.predict(self.matrix([run]))
        return mean.item(), error.item()

    def contrast(self, vector: Floats) -> tuple[float, float, float, float]:
        """Value of a sum of coefficients, the ends of its 95 % interval, and p; NaN where no error is known."""
        value = float(vector @ self.coefficients)
        if not self.error_from:
            return value, np.nan, np.nan, np.nan
        error = float(np.sqrt(vector @ self.inverse @ vector * self.variance))
        half = float(t_quantile(self.df)) * error
        return value, value - half, value + half, float(two_sided_p(np.array(value / error), self.df))

    def p_of(self, places: NDArray[np.int64]) -> tuple[float, float]:
        """F of some coefficients against none of them, and its p; NaN where no error is known."""
        from scipy.special import fdtrc

        if not self.error_from or not len(places):
            return np.nan, np.nan
        beta, own = self.coefficients[places], self.inverse[np.ix_(places, places)]
        f = float(beta @ np.linalg.solve(own, beta)) / len(places) / self.variance
        return f, float(fdtrc(len(places), self.df, f))


def fit_model(design: Design) -> FactorModel:
    """Choose the model by what the design can estimate, and fit it.

    Main effects first, block before all and beam shape after the factors; then products of two and squares, all of a
    kind or none, as long as `LEAST_DF` degrees of freedom are left or they are orthogonal to all else. What those
    before explain to more than 95 % is left out and named. The index itself is not looked at, so intervals keep their
    coverage.

    References
    ----------
    Montgomery D. C., Design and Analysis of Experiments, chapters 6, 8 and 11, for effects, aliases and second-order
    models.
    """
    runs = design.runs
    blocks = [Term((factor,)) for factor in design.factors if factor.name == BLOCK]
    mains, mixed = separate(main_terms(design.chosen), runs, first=blocks, least=_LEAST_SHARE)
    base = [*blocks, *mains]
    if design.shape is not None:
        shape, _ = separate([Term((design.shape,))], runs, first=base)
        if shape and 1 + sum(term.width for term in [*base, *shape]) < len(runs):
            base += shape
    remarks = _mixed_words(mixed)
    terms, said = _second_order(base, mains, runs)
    model = _fitted(terms, runs, design.index)
    return FactorModel(
        model.terms, model.coefficients, model.inverse, model.variance, model.df, model.error_from, model.rows,
        (*remarks, *said, *model.remarks),
    )  # fmt: skip


def _second_order(base: list[Term], mains: list[Term], runs: Sequence[Run]) -> tuple[list[Term], list[str]]:
    """Terms with the products and squares that the design can estimate, and what is said of the others."""
    terms, remarks = list(base), []
    for kind, wanted in (("interactions", product_terms(mains)), ("squares", square_terms(mains))):
        wanted = [term for term in wanted if np.ptp(term.columns(runs), axis=0).max(initial=0.0) > 0]
        kept, mixed = separate(wanted, runs, first=terms, least=_LEAST_SHARE)
        more = [*terms, *kept]
        matrix = matrix_of(more, runs)
        rows, columns = matrix.shape
        left = rows - columns
        free = _orthogonal(matrix) and (left > 0 or (left == 0 and columns > _LENTH))
        if kept and (left >= LEAST_DF or free):
            terms = more
            remarks += [f"{name} is mixed up with {' and '.join(others)}" for name, others in mixed.items()][
                :12
            ]
        elif wanted:
            said = "too few welds" if kept else "the settings tried do not separate them"
            remarks.append(
                f"no {kind} are estimated ({said}): should there be any, they are in the other effects"
            )
    return terms, remarks


def _fitted(terms: list[Term], runs: Sequence[Run], index: Floats) -> FactorModel:
    matrix = matrix_of(terms, runs)
    rows, columns = matrix.shape
    remarks: list[str] = []
    while np.linalg.matrix_rank(matrix) < columns and terms:
        terms = terms[:-1]
        matrix = matrix_of(terms, runs)
        _, columns = matrix.shape
    inverse: Floats = np.asarray(np.linalg.inv(matrix.T @ matrix), dtype=np.float64)
    coefficients = inverse @ (matrix.T @ index)
    left = index - matrix @ coefficients
    df, squares = rows - columns, float(left @ left)
    if df > 0 and squares > (_EXACT**2) * max(float(((index - index.mean()) ** 2).sum()), _EXACT):
        if df < 4:
            remarks.append(
                f"the error rests on {df} degree{'s' if df > 1 else ''} of freedom only: intervals are wide; repeat "
                "welds"
            )
        return FactorModel(
            tuple(terms), coefficients, inverse, squares / df, df, "residuals", rows, tuple(remarks)
        )
    two_level = df == 0 and _orthogonal(matrix) and bool((np.abs(matrix) == 1).all())
    variance, freedom = _lenth(coefficients[1:], rows) if two_level else (np.nan, 0.0)
    if freedom:
        said = "no weld is repeated: the error is guessed from the smallest effects (Lenth 1989); repeat some welds"
    elif df > 0:
        said = "the model describes the welds to the last digit, as with copies of one another: no error is known"
    else:
        said = "no weld is left over to know the error: effects have no intervals; repeat some welds"
    return FactorModel(
        tuple(terms), coefficients, inverse, variance, freedom, "lenth" if freedom else "", rows, (said,)
    )


def _lenth(coefficients: Floats, rows: int) -> tuple[float, float]:
    """Variance of a weld, and its degrees of freedom, from the effects of a saturated two-level design; NaN and 0
    where they are too few.

    References
    ----------
    Lenth R. V., Quick and easy analysis of unreplicated factorials, Technometrics 31 (1989) 469-473,
    doi:10.1080/00401706.1989.10488595.
    """
    if len(coefficients) < _LENTH:
        return np.nan, 0.0
    size = np.abs(2 * coefficients)
    first = 1.5 * float(np.median(size))
    error = 1.5 * float(np.median(size[size < 2.5 * first])) if first > 0 else 0.0
    # An effect is the difference of two means of half of the welds each.
    return (error**2 * rows / 4, len(coefficients) / 3) if error > 0 else (np.nan, 0.0)


def _orthogonal(matrix: Floats) -> bool:
    """Whether all columns are orthogonal: a term more then costs the others nothing."""
    product = matrix.T @ matrix
    return bool(np.allclose(product, np.diag(product.diagonal()), atol=1e-9 * len(matrix)))


def _mixed_words(mixed: dict[str, tuple[str, ...]]) -> list[str]:
    """One sentence for all factors that the same others explain."""
    together: dict[tuple[str, ...], list[str]] = {}
    for name, others in mixed.items():
        together.setdefault(others, []).append(name)
    return [
        f"{', '.join(names)} cannot be separated from {' and '.join(others)}: varied together; what is shown for "
        f"{'it' if len(others) == 1 else 'these'} may come from either"
        for others, names in together.items()
    ]
