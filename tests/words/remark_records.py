"""One remark of each kind that words must tell, made by hand."""

from psdstats.comparison.analysis import SpreadBasis
from psdstats.comparison.benches import GroupRemark
from psdstats.comparison.classes import DistributionRemark
from psdstats.comparison.consistency import IntraclassRemark
from psdstats.comparison.courses import OrderedRemark
from psdstats.comparison.plan import PlanRemark
from psdstats.comparison.response import ComparisonRemark
from psdstats.comparison.values import ValuesRemark
from psdstats.distribution.curves import WeighingRemark
from psdstats.models.diagnostics import CheckRemark
from psdstats.models.mixed_model import FitRemark
from psdstats.models.verdicts import VerdictRemark
from psdstats.planning.bench.charge import ChargeRemark
from psdstats.planning.planned_samples import FoundSize, PlannedWeighing, PlanningRemark
from psdstats.rate.run_sizes import RateRemark
from psdstats.uncertainty.conformity import ConformityRemark
from psdstats.uncertainty.inputs import SourceRemark
from psdstats.uncertainty.propagation import PropagationRemark

RUNS = ("alder-48min-a", "alder-48min-b")
FOUND = FoundSize(
    quantity="D50",
    u_percent=2.1,
    u_error_percent=0.1,
    between_percent=1.8,
    own_percent=1.1,
    own_error_percent=0.06,
    share_open=0.0,
)
UNUSUAL = {"value": 0.62, "low": 0.2, "high": 0.5}
POWDER = "48 min"

REMARKS = {
    "Reasons of a verdict": (
        VerdictRemark.UNDONE(percent=1.2),
        VerdictRemark.RUN_TO_RUN_UNKNOWN(percent=30.0),
        VerdictRemark.UNDONE_BY_DRIFT(percent=0.4),
        VerdictRemark.DRIFT_UNKNOWN(percent=3.2),
        VerdictRemark.SHOWS_NOTHING(),
        VerdictRemark.MARGIN_TOO_SMALL(),
        VerdictRemark.NO_ESTIMATE(),
        VerdictRemark.NO_END(),
        OrderedRemark.OUT_OF_REACH(times_as_many=2.3),
        OrderedRemark.BEYOND_SIEVES(quantity="D10", times=("24", "48")),
        OrderedRemark.FEW_SINGLE_RUNS(runs=4),
        OrderedRemark.SINGLE_RUNS(),
        ComparisonRemark.NOT_BRACKETED(
            quantity="D10", column="milling_time_min", level="48", count=2, runs=4
        ),
        ComparisonRemark.FEW_LEVELS(quantity="D10", column="milling_time_min"),
        ComparisonRemark.ONE_GROUP(quantity="D10", columns=("group",)),
        ComparisonRemark.NOT_LINKED(columns=("group",)),
        ComparisonRemark.NO_RUN_LEFT(),
        ComparisonRemark.NO_SPREAD(),
        ComparisonRemark.FEW_UNITS(paired=True),
        GroupRemark.NOT_BRACKETED(),
        GroupRemark.ALONE(columns=("milling_time_min", "ball_ratio")),
        GroupRemark.NO_UNCERTAINTY(),
    ),
    "The design of a comparison": (
        PlanRemark.WITHOUT_VALUE(runs=RUNS, column="ball_ratio"),
        PlanRemark.TIME_SET_ASIDE(by="ball_ratio"),
        PlanRemark.ONE_RUN_A_GROUP(),
        PlanRemark.BLOCKS(columns=("group",)),
        PlanRemark.ONE_CHARGE(charges=1),
        PlanRemark.ONE_CHARGE(charges=3),
        PlanRemark.OWN_CHARGES(),
        PlanRemark.EACH_LEVEL(column="ball_ratio"),
        PlanRemark.NESTED(column="medium"),
        PlanRemark.PART_OF_FACTOR(column="mill", factor="group"),
        PlanRemark.LEFT_OUT(column="operator"),
        PlanRemark.LEFT_OUT_ASKED(column="drift"),
        PlanRemark.LEFT_OUT_ASKED(column="cell"),
        PlanRemark.LEFT_OUT_ASKED(column="ball_ratio"),
        ComparisonRemark.SET_ASIDE(runs=RUNS),
        ComparisonRemark.DRIFT_ALLOWED(),
        ComparisonRemark.MISFIT(
            p=0.006,
            column="milling_time_min",
            first="0",
            last="48",
            first_percent=1.6,
            last_percent=3.7,
        ),
    ),
    "Values in hand": (
        ValuesRemark.NO_VALUE(runs=RUNS),
        ValuesRemark.NO_U(quantities=("D10", "D50")),
        ValuesRemark.INDEPENDENT(quantities=("strength",)),
    ),
    "What a comparison rests on": (
        ComparisonRemark.BY_MODEL(),
        ComparisonRemark.BY_MEASUREMENT(),
        ComparisonRemark.BY_SINGLE_RUNS(basis=SpreadBasis.SMOOTH_COURSES, percent=2.4, df=2.6),
        ComparisonRemark.BY_SINGLE_RUNS(basis=SpreadBasis.DECLARED, percent=3.0, df=float("inf")),
        ComparisonRemark.BY_OWN_SPREAD(paired=True),
        ComparisonRemark.BY_OWN_SPREAD(paired=False),
        ComparisonRemark.NOT_FITTED(
            reason=ComparisonRemark.FEW_LEVELS(quantity="D10", column="milling_time_min")
        ),
    ),
    "State of a fit": (
        FitRemark.NOTHING_ESTIMATED(),
        FitRemark.AT_ZERO(component="group"),
        FitRemark.BELOW_ZERO(component="group"),
        FitRemark.FULL_CORRELATION(first="group", second="drift", sign=-1),
        FitRemark.NEARLY_SINGULAR(),
        FitRemark.NOT_CONVERGED(),
        FitRemark.INCOMPLETE(rows=22, variances=3),
        FitRemark.TWO_GROUPS(rows=16, variances=2),
        FitRemark.FEW_CELLS(rows=12, variances=3),
        FitRemark.FEW_RUNS(rows=9, variances=1),
    ),
    "Checks of a model": (
        CheckRemark.CELLS(groups=4, levels=5),
        CheckRemark.AVERAGED(),
        CheckRemark.TOO_FEW(groups=1, levels=5, group="group", within="milling_time_min"),
        CheckRemark.INCOMPLETE(
            missing=1,
            cells=20,
            group="group",
            first_group="Rowan",
            within="milling_time_min",
            first_level=48.0,
        ),
        CheckRemark.FEWER_THAN_THREE_GROUPS(),
        CheckRemark.FEWER_THAN_THREE_LEVELS(),
        CheckRemark.NO_MEASUREMENT(test="Friedman's rank test"),
        CheckRemark.NO_LINES(test="Friedman's rank test"),
        CheckRemark.RANKS_ALONE(test="Friedman's rank test", groups=4),
    ),
    "Limits": (
        ConformityRemark.SCATTER(sd_percent=1.9, degrees_of_freedom=8, is_share=False),
        ConformityRemark.NO_REPLICATES(conditions=5),
        ConformityRemark.BY_BOUND(conditions=2),
        ConformityRemark.NO_SIEVE(runs=RUNS, aperture_um=250.0),
    ),
    "Whole distributions and groups": (
        DistributionRemark.MERGED_AWAY(apertures=(53.0, 75.0), classes=5),
        DistributionRemark.LIMITS_DROPPED(apertures=(500.0,)),
        DistributionRemark.WITHOUT_LEVEL(runs=RUNS, column="ball_ratio"),
        DistributionRemark.STACKS_APART(stacks=("Alder, Birch", "Rowan")),
        DistributionRemark.EMPTY_CLASSES(count=3, lowest=0.003, highest=0.02),
        DistributionRemark.PAIR_REFUSED(low="0", high="48", unit="min", error="Too few runs."),
        DistributionRemark.NOT_TESTED(error="Too few runs."),
        DistributionRemark.TOO_FEW_REARRANGEMENTS(smallest_p=0.1),
        DistributionRemark.EMPTY_CLASSES_DECIDE(lowest=0.03, highest=0.08),
        GroupRemark.WITHOUT_CONDITION(runs=RUNS, column="ball_ratio"),
        IntraclassRemark.TOO_FEW_GROUPS(groups=1, levels=5),
        IntraclassRemark.MISSING(count=2),
        IntraclassRemark.TOO_FEW_RESULTS(count=4),
    ),
    "Rate": (
        RateRemark.NO_CHARGE(),
        RateRemark.WITHOUT_LEVEL(runs=RUNS, column="ball_ratio"),
        RateRemark.OTHER_FACTOR(column="medium"),
        RateRemark.TAIL(quantity="D10", rule="semilog"),
        RateRemark.OPEN_CELLS(quantity="D10", cells=(("Alder", 48.0),)),
        RateRemark.ONE_RUN_A_TIME(),
        RateRemark.FEW_GROUPS(groups=1),
        RateRemark.FEW_GROUPS(groups=2),
        RateRemark.LARGEST_GAP(time_min=24.0),
        RateRemark.NO_TIME_TO_SPARE(times=3, parameters=3),
        RateRemark.NO_REPEATS(),
        RateRemark.LITTLE_SEEN(percent=50.0),
        RateRemark.RATES_OF_FEW_GROUPS(groups=1),
        RateRemark.RATES_OF_FEW_GROUPS(groups=2),
        RateRemark.TOO_FEW_TIMES(),
        RateRemark.EMPTY_RUN(run="alder-48min-a"),
        RateRemark.TOO_FEW_ABOVE(series="ball ratio 5", aperture_um=(355.0, 500.0)),
        RateRemark.FEW_SIEVES(),
        RateRemark.ABOUT_THE_LINE(),
        RateRemark.BETWEEN_GROUPS(groups=4),
    ),
    "Readings and sizes": (
        WeighingRemark.NEGATIVE_NET(found=((-0.02, "alder-48min-a", "Alder 355 µm"),), more=0),
        SourceRemark.TOLERANCE_USED(
            standard="ISO 3310-1", half_widths_um=((45.0, 2.4), (63.0, 3.1)), sieves=2
        ),
        SourceRemark.NO_REPEATABILITY(balance="alder-1"),
        SourceRemark.NO_SAMPLE_MASS(runs=RUNS),
        SourceRemark.NO_DATA_SHEET(
            balance="alder-1",
            accuracy_class="II",
            is_stated=True,
            interval_g=0.01,
            least_g=0.01,
            most_g=0.03,
        ),
        SourceRemark.LOSS_COUNTED(runs=2, least_g=0.1, most_g=0.6, habit=""),
        SourceRemark.EMPTY_PAN(runs=RUNS),
        SourceRemark.END_POINT(runs=2, least_g=0.02, most_g=0.11),
        SourceRemark.SPLITS_FOUND(samples=4, percent=1.3, degrees_of_freedom=4.0),
        PropagationRemark.LINEAR_DOUBTFUL(run="alder-48min-a", quantity="D10"),
        PropagationRemark.BEYOND_SIEVES(run="alder-48min-a", quantity="D10", share=0.3),
        PropagationRemark.HIDDEN_PEAK(runs=RUNS, finer_um=63.0, coarser_um=250.0),
        PropagationRemark.FLAT_STEP(run="alder-48min-a", quantity="D90"),
        PropagationRemark.NOT_SETTLED(draws=20000, digits=2, left=3, watched=8),
        PropagationRemark.MANY_RUNS(runs=500),
        PropagationRemark.RATIO_DOUBTFUL(run="alder-48min-a", quantity="D10"),
        PropagationRemark.RATIO_BEYOND_SIEVES(
            quantity="D10", high=("48", "Alder"), low=("0", "Alder"), share=0.3
        ),
    ),
    "Plans": (
        PlanningRemark.STATED(),
        PlanningRemark.OF_STUDY(
            quantity="D50", title="My trial", runs=5, groups=1, basis=SpreadBasis.SMOOTH_COURSES
        ),
        PlanningRemark.WEIGHED(
            powder=POWDER, sample_g=50.0, weighing=PlannedWeighing(), found=FOUND
        ),
        PlanningRemark.D10_OPEN(powder=POWDER, share=0.12, aperture_um=45.0),
        PlanningRemark.D90_OPEN(powder=POWDER, share=0.12, aperture_um=500.0),
        PlanningRemark.CLASS_TOO_FULL(percent=62.0),
        PlanningRemark.OVERLOADED(sample_g=200.0, largest_g=80.0),
        PlanningRemark.TOO_FINE_TO_SIEVE_DRY(aperture_um=20.0),
        PlanningRemark.PEAK_MAY_HIDE(
            powder=POWDER, class_um=(63.0, 250.0), share=0.3, left_um=(90.0, 125.0)
        ),
        PlanningRemark.PEAK_IN_A_STEP(powder=POWDER, class_um=(63.0, 90.0), share=0.3),
        PlanningRemark.FEWER_SIEVES(sieves=6, asked=8),
        ChargeRemark.BALL_FILL(**UNUSUAL),
        ChargeRemark.POWDER_FILLING(**UNUSUAL),
        ChargeRemark.SPEED(**UNUSUAL),
        ChargeRemark.BALL_TO_POWDER(**UNUSUAL),
        ChargeRemark.STICKS(),
        ChargeRemark.MISSES_MASS(diameter_mm=30.0),
    ),
}
