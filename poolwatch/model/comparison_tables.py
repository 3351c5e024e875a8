"""Tables that a trial or a ranking writes beside ``ranking.csv``: what each column means."""

from __future__ import annotations

from .table import Column, Table

_P = Column(
    "p", "float", "", "chance of as large an effect where there is none; empty where no test can be made"
)

_PAIR_P = Column(
    "p",
    "float",
    "",
    "chance of as large a difference between like shapes: t test on the logit of the index. It is made with each "
    "error that `error_from` names, and the larger p counts. Empty where no test can be made",
)
PAIRS = Table(
    "pairs.csv",
    "two beam shapes, the steadier one first",
    (
        Column("shape_a", "text", "", "the shape with the higher index"),
        Column("shape_b", "text", "", "the other"),
        Column("difference", "float", "points", "difference of their mean indices"),
        Column("difference_low", "float", "points", "lower end of its 95 % interval, for this pair alone"),
        Column("difference_high", "float", "points", "upper end of it"),
        _PAIR_P,
        Column("p_holm", "float", "", "p corrected for all pairs together (Holm)"),
        Column(
            "differ",
            "int",
            "",
            "1 where p_holm shows a difference, 0 where not; empty where no test can be made",
        ),
        Column(
            "df",
            "float",
            "",
            "degrees of freedom behind p; empty for a normal test, of the error within the welds",
        ),
        Column(
            "error_from",
            "text",
            "",
            "what p rests on: `scatter` from weld to weld, or error `within` the welds; empty where no test is made",
        ),
    ),
)
EXCLUDED = Table(
    "excluded.csv",
    "one clip that does not count",
    (
        Column("clip", "text", "", "as in the manifest"),
        Column("beam_shape", "text", "", "as given"),
        Column("reason", "text", "", "why it does not count"),
    ),
)
EFFECTS = Table(
    "effects.csv",
    "one effect on the stability index",
    (
        Column("term", "text", "", "a factor, its square (²), or several joined by x: their interaction"),
        Column(
            "level",
            "text",
            "",
            "the word, direction or comparison of the row, where a term has several; `any`: one test for all",
        ),
        Column(
            "effect",
            "float",
            "points",
            "change of the index from the lowest to the highest value, or from the first word to the second. Of "
            "several words: departure from the mean of all. Of a square: the ends above the middle",
        ),
        Column("effect_low", "float", "points", "lower end of its 95 % interval, for this effect alone"),
        Column("effect_high", "float", "points", "upper end of it"),
        _P,
        Column(
            "p_holm",
            "float",
            "",
            "p corrected for all effects together (Holm), the block apart; each term has the same share of the error, "
            "however many levels it has. The reading goes by it",
        ),
        Column(
            "error_from",
            "text",
            "",
            "where the scatter comes from: `residuals` of the model, `lenth` (from the effects themselves), or empty "
            "where none is known",
        ),
        Column("p_term", "float", "", "p of the whole term, all its levels at once (F test); not corrected"),
        Column("df", "float", "", "degrees of freedom behind the error"),
    ),
)
NEXT_WELDS = Table(
    "next_welds.csv",
    "one weld that is advised; beam shape and factors give its setting",
    (
        Column("predicted", "float", "", "mean index that the model expects there"),
        Column("predicted_u", "float", "", "its standard uncertainty"),
        Column("weld_low", "float", "", "lower end of what holds 95 % of single welds there"),
        Column("weld_high", "float", "", "upper end of it"),
        Column("expected_improvement", "float", "points", "mean gain expected over the best setting tried"),
    ),
)
OUTCOMES = Table(
    "outcomes.csv",
    "one laboratory result against the index or a part of it",
    (
        Column("outcome", "text", "", "the result: its column without `outcome_`"),
        Column("measure", "text", "", "`stability_index`, or a part of the index, as its desirability"),
        Column("welds", "int", "", "welds that have both"),
        Column("rho", "float", "", "rank correlation (Spearman), -1 to 1"),
        Column("rho_low", "float", "", "lower end of its 95 % interval; empty where none can be given"),
        Column("rho_high", "float", "", "upper end of it"),
        _P,
        Column(
            "p_holm", "float", "", "p corrected for all results and measures (Holm); the reading goes by it"
        ),
        Column(
            "least_rho",
            "float",
            "",
            "weakest correlation that so many welds can show by itself; empty where they can show none",
        ),
        Column("reading", "text", "", "the row in words"),
    ),
)
COMPARISON_TABLES = (PAIRS, EXCLUDED, EFFECTS, NEXT_WELDS, OUTCOMES)
