"""Every option of every command, taken from the parsers themselves, refuses what makes no sense."""

import argparse

import pytest
from psdstats_cli.main import build_parser

EMPTY = ("", " ", "\t", "\n")
CONTROL = ("a\nb", "\x00", "\x1b[31mred", "x" * 5000)
NUMBERS = (
    "nan", "NaN", "inf", "-inf", "1e308", "-1e308", "1e999", "1e-300", "-1e-300", "1e20",
    "99999999999999999999", "-99999999999999999999", "0x10", "1_000", "١٢", "five", "5 g", "1;2",
    "None", "true", "1 2", "--", "1.2.3", "1e", ".", "-", "+", "1/2", "5%", "$5", "1'000", "=1+1",
)  # fmt: skip
LISTS = (",", "1,", ",1", "1,,2", "1,1", "1, 1", "1,nan", "1,inf", "1,x", "1,1e308", "1,1e-300")
WORDS = ("", "no such", "-", "nan", "0")
DATES = (
    "2026-13-01T08:30",
    "soon",
    "9999-12-31T23:00",
    "2026-01-05T08:30+02:00",
    "08:30",
    "0001-01-01",
)
PAIRS = (
    "150",
    "150,250",
    "400,250,x",
    "=150,250,400",
    "a=",
    "a=1,2,nan",
    "a=1,2,1e308",
    "20:",
    ":2",
)
NEEDED = {
    "study": "x", "target": "x", "shell": "bash", "--times": "0,12", "--apertures": "45,90,180,355",
    "--jar-mm": "150", "--jar-ml": "2000", "--ball-density": "7.8", "--balls": "20:2,10:1",
    "--powder": "150,250,400", "--density": "2.7",
    "--into": "x.sqlite",
}  # fmt: skip
FREE = {"--title", "--material", "--group", "--balance", "--author", "--date", "--charge-names"}
COLUMNS = {
    "--by",
    "--at-each",
    "--also",
    "--within",
    "--leave-out",
    "--ratios",
    "--bootstrap",
    "--run",
}
NAMED_LATER = {"--encoding", "--standard", "--rule", "--series"}  # known to the library alone


def leaves(parser):
    """Every command that takes options, plans one by one."""
    below = [one for one in parser._actions if isinstance(one, argparse._SubParsersAction)]
    if not below:
        return [parser]
    return [leaf for one in below[0].choices.values() for leaf in leaves(one)]


def name_of(action):
    return action.option_strings[0] if action.option_strings else action.dest


def takes_value(action):
    is_help = isinstance(action, argparse._HelpAction | argparse._VersionAction)
    return action.nargs is None and not is_help


def nasty(action):
    """Values that nobody means, for the kind of the option."""
    name = name_of(action)
    always = (*EMPTY, *CONTROL)
    if action.choices is not None:
        return (*always, *WORDS, *NUMBERS)
    if name == "--start":
        return (*always, *DATES, *NUMBERS)
    if name in ("--powder", "--to", "--balls"):
        return (*always, *PAIRS, *NUMBERS, *LISTS)
    if name == "--factor":
        return (
            *always,
            *NUMBERS[:4],
            "a=",
            "=1,2",
            "a=1,1",
            "a=nan,1",
            "a=1,inf",
            "a=1e308",
            "a=1,,2",
        )
    if name == "--cluster":
        return (*always, *NUMBERS, "host", "host:", ":80", "host:99999", "a b:80", "host:0", "h:-1")
    if action.metavar in ("A,B", "T,T", "N,N", "D,D", "M,M", "MEAN,SD") and name not in FREE:
        lists = (",", "a,", ",a", "a,,b", "a,a")
        is_names = name in ("--quantity", "--families", "--sources")
        return (*always, *(lists if is_names else (*LISTS, *NUMBERS)))
    if action.type is not None and name not in FREE | NAMED_LATER and is_number(action):
        return (*always, *NUMBERS, "1,5", "1,2")
    return always


def is_number(action):
    """Whether the option is a number: it takes one of these and no word."""
    try:
        action.type("word")
    except argparse.ArgumentTypeError:
        return True
    return False


def words_before(parser, asked):
    """The least that the command needs besides the option asked about."""
    words = []
    for action in parser._actions:
        if action is not asked and action.required and takes_value(action):
            value = NEEDED[name_of(action)]
            words += [f"{name_of(action)}={value}"] if action.option_strings else [value]
    for group in parser._mutually_exclusive_groups:
        if group.required and asked not in group._group_actions:
            words.append(f"{name_of(group._group_actions[0])}={NEEDED['--apertures']}")
    return words


def cases():
    for parser in leaves(build_parser()):
        for action in filter(takes_value, parser._actions):
            for value in nasty(action):
                yield parser, action, value


CASES = list(cases())
MEANT = {  # what looks nasty and is not
    ("--material", ""),
    ("--decimal", "."),
    ("--balls", "150"),
    ("--balls", "150,250"),
    ("--process", "1,1"),
    ("--process", "1, 1"),
}


def parse(parser, action, value):
    words = words_before(parser, action)
    if action.option_strings:
        return parser.parse_args([*words, f"{name_of(action)}={value}"])
    others = [one for one in parser._actions if not one.option_strings]
    return parser.parse_args([value if one is action else "x" for one in others])


def test_there_are_many():
    assert len(CASES) > 2000
    assert len({(parser.prog, name_of(action)) for parser, action, _ in CASES}) > 120
    everywhere = {name_of(action) for _, action, _ in CASES}
    assert everywhere >= COLUMNS | FREE | NAMED_LATER | {"--margin", "--target-um", "--out"}


@pytest.mark.parametrize("parser", leaves(build_parser()), ids=lambda one: one.prog)
def test_the_least_is_parsed(parser):
    assert parser.parse_args([*words_before(parser, None)])


def test_nonsense_is_refused_in_one_sentence(capsys):
    taken, said_badly = [], []
    for parser, action, value in CASES:
        where = (parser.prog, name_of(action), value[:40])
        try:
            parse(parser, action, value)
        except SystemExit as stop:
            said = capsys.readouterr()
            name = name_of(action) if action.option_strings else str(action.metavar)
            good = said.err.startswith("psdstats: ") and said.err.count("\n") == 1
            if stop.code != 2 or said.out or not good or name not in said.err:
                said_badly.append((*where, said.err))
        else:
            if where[1:] not in MEANT:
                taken.append(where)
    assert taken == []
    assert said_badly == []


def test_every_number_is_read_in_one_place():
    """No option makes its number by itself: float and int take nan, inf and other digits."""
    plain = [
        (parser.prog, name_of(action))
        for parser in leaves(build_parser())
        for action in parser._actions
        if action.type in (float, int)
    ]
    assert plain == []


def test_no_default_is_left_blank():
    for parser in leaves(build_parser()):
        assert "(default )" not in parser.format_help()
