"""A catalogue of inputs that are wrong, each as a change to one sound study.

The sound study is invented.  `EDITS` replaces one piece of text in one file; `FILES` replaces or
removes whole files.  The exact messages expected are kept in `bad_inputs_expected.toml`.
"""

SOUND = {
    "study.toml": """\
title = "Invented trial"
tares = "each run"

[balances.fine]
resolution_g = 0.01
repeatability_g = 0.01

[compare]
by = "milling_time_min"
""",
    "runs.csv": """\
run,group,milling_time_min,replicate,sample_mass_g,ball_ratio
a-0,Alder,0,1,50.00,5
a-6,Alder,6,1,50.00,5
b-0,Birch,0,1,50.00,10
""",
    "weighings.csv": """\
run,sieve,aperture_um,tare_g,gross_g
a-0,A 180,180,400.00,403.00
a-0,A 90,90,380.00,400.00
a-0,A 45,45,360.00,383.00
a-0,A pan,0,300.00,303.90
a-6,A 180,180,400.01,401.00
a-6,A 90,90,380.00,396.00
a-6,A 45,45,360.00,388.00
a-6,A pan,0,300.00,304.80
b-0,B 180,180,410.00,413.00
b-0,B 90,90,390.00,410.00
b-0,B 45,45,370.00,393.00
b-0,B pan,0,310.00,313.90
""",
    "sieves.csv": """\
sieve,nominal_um,certified_um,expanded_uncertainty_um,coverage_factor,standard
A 90,90,90.8,1.2,2,ISO 3310-1
A 45,45,,,,ASTM E11
""",
}

W, R, S, T = "weighings.csv", "runs.csv", "sieves.csv", "study.toml"

EDITS: dict[str, tuple[str, str, str]] = {
    # numbers
    "gross is a word": (W, "403.00", "many"),
    "gross with its unit": (W, "403.00", "403.00 g"),
    "thousands separator": (W, "403.00", '"1,403.00"'),
    "thousands apostrophe": (W, "403.00", "1'403.00"),
    "not measured as nan": (W, "403.00", "nan"),
    "infinite": (W, "403.00", "1e999"),
    "decimal comma in a comma file": (W, "403.00", '"403,00"'),
    "decimal comma without quotes": (W, "403.00", "403,00"),
    "gross empty": (W, "403.00", ""),
    "tare empty": (W, "400.00,403.00", ",403.00"),
    "tare negative": (W, "400.00,403.00", "-400.00,403.00"),
    "tare of a tonne": (W, "400.00,403.00", "40000000,40000003"),
    "two decimal points": (W, "403.00", "403.0.0"),
    "other digits": (W, "403.00", "٤٠٣"),
    "time negative": (R, "Alder,6", "Alder,-6"),
    "time a word": (R, "Alder,6", "Alder,six"),
    "time empty": (R, "Alder,6", "Alder,"),
    "split twice": (
        R,
        "replicate,sample_mass_g,ball_ratio\na-0,Alder,0,1,50.00,5\na-6,Alder,6,1,50.00,5",
        "split,sample_mass_g,ball_ratio\na-0,Alder,6,1,50.00,5\na-6,Alder,6,1,50.00,5",
    ),
    "sample mass zero": (R, "6,1,50.00", "6,1,0"),
    "sample mass a word": (R, "6,1,50.00", "6,1,heavy"),
    # apertures
    "aperture in mm in the µm column": (W, "A 90,90", "A 90,0.09"),
    "aperture too large": (W, "A 90,90", "A 90,900000"),
    "aperture empty": (W, "A 90,90", "A 90,"),
    "aperture negative": (W, "A 90,90", "A 90,-90"),
    "aperture differs from the sieve table": (W, "A 90,90", "A 90,106"),
    "one sieve with two apertures": (W, "a-6,A 180,180", "a-6,A 180,150"),
    # sieves and runs
    "sieve repeated": (W, "a-0,A 45,45", "a-0,A 90,90"),
    "aperture repeated under another name": (W, "a-0,A 45,45", "a-0,A x,90"),
    "pan missing": (W, "a-0,A pan,0,300.00,303.90\n", ""),
    "pan alone": (
        W,
        "b-0,B 180,180,410.00,413.00\nb-0,B 90,90,390.00,410.00\nb-0,B 45,45,370.00,393.00\n",
        "",
    ),
    "sieve without a name": (W, "a-0,A 90,90", "a-0,,90"),
    "run of a weighing without a name": (W, "a-0,A 90", ",A 90"),
    "run not in the run table": (W, "a-0,A 90", "a-00,A 90"),
    "run twice": (R, "a-6,", "a-0,"),
    "run without weighings": (R, "b-0,", "b-1,Birch,0,1,50.00,10\nb-0,"),
    "run without a name": (R, "a-6,", ","),
    "group missing in one row": (R, "a-6,Alder", "a-6,"),
    "gross below tare": (W, "403.00", "397.29"),
    "nothing weighed in": (
        W,
        "413.00\nb-0,B 90,90,390.00,410.00\nb-0,B 45,45,370.00,393.00\nb-0,B pan,0,310.00,313.90",
        "410.00\nb-0,B 90,90,390.00,390.00\nb-0,B 45,45,370.00,370.00\nb-0,B pan,0,310.00,310.00",
    ),
    # columns
    "column missing": (W, "gross_g", "brutto"),
    "time column missing": (R, "milling_time_min", "time"),
    "unknown column in the weighings": (W, "tare_g,gross_g", "tare_g,gross_g,gross_agian_g"),
    "weighing column in the run table": (R, "ball_ratio", "tare_g"),
    "two columns of one name": (R, "replicate", "group"),
    "cell beyond the header": (W, "403.00", "403.00,7"),
    "quotation mark not closed": (W, "a-6,A 180", '"a-6,A 180'),
    "text too long": (R, "Birch", "B" * 2001),
    "unknown column in the sieve table": (S, "standard", "standart"),
    "certificate without aperture": (S, "90.8,1.2", ",1.2"),
    "uncertainty negative": (S, "90.8,1.2", "90.8,-1.2"),
    "coverage factor zero": (S, "1.2,2,", "1.2,0,"),
    "standard unknown": (S, "ASTM E11", "house rule"),
    "sieve twice in the sieve table": (S, "A 45,45", "A 90,90"),
    "pan in the sieve table": (S, "A 45,45", "A pan,0"),
    # settings
    "settings are no TOML": (T, 'title = "Invented trial"', "title = Invented trial"),
    "key unknown": (T, "tares", "tare"),
    "tares unknown": (T, '"each run"', '"sometimes"'),
    "rule unknown": (T, "[balances.fine]", 'rule = "guess"\n[balances.fine]'),
    "density a text": (T, "[balances.fine]", 'density_g_per_cm3 = "2.7"\n[balances.fine]'),
    "density zero": (T, "[balances.fine]", "density_g_per_cm3 = 0\n[balances.fine]"),
    "balance without resolution": (T, "resolution_g = 0.01\n", ""),
    "balance key unknown": (T, "repeatability_g", "repeatability_mg"),
    "half a weighing": (T, "repeatability_g = 0.01", "repeatability_weighings = 9.5"),
    "one weighing": (T, "repeatability_g = 0.01", "repeatability_weighings = 1"),
    "class of balance unknown": (T, "repeatability_g = 0.01", 'accuracy_class = "2"'),
    "drift negative": (T, "repeatability_g = 0.01", "drift_g = -0.01"),
    "balance no table": (T, "[balances.fine]\n", "[balances]\n"),
    "switch of uncertainty a text": (T, "[compare]", '[uncertainty]\nrounding = "yes"\n[compare]'),
    "source of uncertainty unknown": (T, "[compare]", "[uncertainty]\nmoon = true\n[compare]"),
    "loss unknown": (T, "[compare]", '[uncertainty]\nlost_powder = "dust"\n[compare]'),
    "loss a number": (T, "[compare]", "[uncertainty]\nlost_powder = 1\n[compare]"),
    "way of splitting unknown": (
        T,
        "[compare]",
        '[uncertainty]\nsplitting_method = "hat"\n[compare]',
    ),
    "coverage one": (T, "[compare]", "[uncertainty]\ncoverage = 1\n[compare]"),
    "check unknown": (T, "[compare]", "[checks]\nmass_balanse = false\n[compare]"),
    "threshold unknown": (T, "[compare]", "[checks.mass_balance]\nlimit = 3\n[compare]"),
    "threshold negative": (T, "[compare]", "[checks.mass_balance]\npercent = -3\n[compare]"),
    "check neither switch nor table": (T, "[compare]", "[checks]\noverload = 3\n[compare]"),
    "compared column unknown": (T, '"milling_time_min"', '"milling_time"'),
    "compared column a number": (T, '"milling_time_min"', "3"),
    "margin negative": (T, "[compare]", "[compare]\nmargin_percent = -5"),
    "spread unknown": (T, "[compare]", '[compare]\nspread = "wide"'),
    "limit unknown": (T, "[compare]", "[limits]\nD50_um = 150\n[compare]"),
    "limits crossed": (T, "[compare]", "[limits]\nD50_lower_um = 9\nD50_upper_um = 8\n[compare]"),
    "share above no sieve": (T, "[compare]", "[limits]\nshare_above_upper = 0.1\n[compare]"),
    "two tares though weighed once": (T, '"each run"', '"once"'),
    "sieves listed twice": (T, "[compare]", "[sieves.x]\nnominal_um = 90\n[compare]"),
    "paths are no settings": (T, "[balances.fine]", 'runs = "../../secret.csv"\n[balances.fine]'),
    # further numbers
    "gross with a typographic minus": (W, "403.00", "−403.00"),
    "gross in kilograms": (W, "403.00", "0.403 kg"),
    "gross in doubt": (W, "403.00", "403.00?"),
    "gross a dash": (W, "403.00", "-"),
    "gross a formula": (W, "403.00", "=400+3"),
    "gross a percentage": (W, "403.00", "50 %"),
    "gross a date": (W, "403.00", "2026-11-25"),
    "gross hexadecimal": (W, "403.00", "0x193"),
    "gross with an underscore": (W, "403.00", "403_00"),
    "gross read twice": (W, "403.00", "403.00/403.01"),
    "gross in brackets": (W, "403.00", "(403.00)"),
    "gross about": (W, "403.00", "~403"),
    "gross below a limit": (W, "403.00", "<0.01"),
    "gross with a blank inside": (W, "403.00", "403 .00"),
    "gross with half an exponent": (W, "403.00", "403e"),
    "gross of seventy digits": (W, "403.00", "4" * 70),
    "gross negative": (W, "403.00", "-403.00"),
    "gross of tonnes": (W, "403.00", "40300000"),
    "gross true": (W, "403.00", "TRUE"),
    "gross a broken reference": (W, "403.00", "#REF!"),
    "gross a division by zero": (W, "403.00", "#DIV/0!"),
    "gross not available": (W, "403.00", "n/a"),
    "gross in full-width digits": (W, "403.00", "４０３"),
    "gross infinity in words": (W, "403.00", "inf"),
    "gross with a plus-minus": (W, "403.00", "403.00 ± 0.01"),
    "gross with an apostrophe": (W, "403.00", "'403.00'"),
    "tare a word": (W, "400.00,403.00", "same,403.00"),
    "tare with its unit": (W, "400.00,403.00", "400.00g,403.00"),
    "tare not a number": (W, "400.00,403.00", "nan,403.00"),
    "tare ditto": (W, "360.00,388.00", '"",388.00'),
    "aperture in words": (W, "A 90,90", "A 90,ninety"),
    "aperture with its unit": (W, "A 90,90", "A 90,90 µm"),
    "aperture as a mesh": (W, "A 90,90", "A 90,170 mesh"),
    "aperture a range": (W, "A 90,90", "A 90,90-125"),
    "aperture not a number": (W, "A 90,90", "A 90,nan"),
    "aperture without end": (W, "A 90,90", "A 90,1e999"),
    "aperture of half a µm": (W, "A 90,90", "A 90,0.5"),
    "aperture just too coarse": (W, "A 90,90", "A 90,125001"),
    "total row": (W, "b-0,B 180", "total,,,1440.01,1474.90\nb-0,B 180"),
    "header repeated": (W, "b-0,B 180", "run,sieve,aperture_um,tare_g,gross_g\nb-0,B 180"),
    "row cut short": (W, "a-6,A 90,90,380.00,396.00", "a-6,A 90"),
    "blank sieve name": (W, "a-0,A 90,90", "a-0,   ,90"),
    "run name in capitals": (W, "a-0,A 90", "A-0,A 90"),
    "run name with a blank": (W, "a-0,A 90", "a- 0,A 90"),
    "sieve of another run by mistake": (W, "a-6,A 45,45", "a-0,A 45,45"),
    "sieve name too long": (W, "a-0,A 90", "a-0," + "A" * 2001),
    # further cells of the run table
    "time with its unit": (R, "Alder,6", "Alder,6 min"),
    "time not a number": (R, "Alder,6", "Alder,nan"),
    "time without end": (R, "Alder,6", "Alder,1e999"),
    "time on the clock": (R, "Alder,6", "Alder,0:06"),
    "time in hours by letter": (R, "Alder,6", "Alder,0.1h"),
    "two times in one cell": (R, "Alder,6", "Alder,6;12"),
    "time about": (R, "Alder,6", "Alder,~6"),
    "sample mass negative": (R, "6,1,50.00", "6,1,-50.00"),
    "sample mass with its unit": (R, "6,1,50.00", "6,1,50.00 g"),
    "sample mass not a number": (R, "6,1,50.00", "6,1,nan"),
    "sample mass of tonnes": (R, "6,1,50.00", "6,1,50000000"),
    "sample mass without end": (R, "6,1,50.00", "6,1,1e999"),
    "group of blanks": (R, "a-6,Alder", "a-6,   "),
    "run of blanks": (R, "a-6,", "   ,"),
    "run name too long": (R, "b-0,Birch", "b" * 2001 + ",Birch"),
    "run table cell beyond the header": (R, "6,1,50.00,5", "6,1,50.00,5,9"),
    "run table quotation mark not closed": (R, "a-6,Alder", '"a-6,Alder'),
    "run column missing": (R, "run,group", "name,group"),
    "gross mass in the run table": (R, "ball_ratio", "gross_g"),
    "aperture in the run table": (R, "ball_ratio", "aperture_um"),
    "column without a name": (R, "ball_ratio", ""),
    # further cells of the sieve table
    "nominal a word": (S, "A 90,90,", "A 90,ninety,"),
    "nominal negative": (S, "A 90,90,", "A 90,-90,"),
    "nominal empty": (S, "A 90,90,", "A 90,,"),
    "nominal in mm": (S, "A 90,90,90.8", "A 90,0.09,0.0908"),
    "nominal too large": (S, "A 90,90,", "A 90,900000,"),
    "certified a word": (S, "90.8,1.2", "yes,1.2"),
    "certified negative": (S, "90.8,1.2", "-90.8,1.2"),
    "certified zero": (S, "90.8,1.2", "0,1.2"),
    "certified not a number": (S, "90.8,1.2", "nan,1.2"),
    "uncertainty a word": (S, "90.8,1.2", "90.8,small"),
    "uncertainty zero": (S, "90.8,1.2", "90.8,0"),
    "uncertainty with its unit": (S, "90.8,1.2", "90.8,1.2 µm"),
    "uncertainty without end": (S, "90.8,1.2", "90.8,1e999"),
    "coverage factor negative": (S, "1.2,2,", "1.2,-2,"),
    "coverage factor a word": (S, "1.2,2,", "1.2,two,"),
    "sieve of the table without a name": (S, "A 45,45", ",45"),
    "sieve table cell beyond the header": (S, "ISO 3310-1", "ISO 3310-1,x"),
    "sieve column missing": (S, "sieve,nominal_um", "name,nominal_um"),
    "nominal column missing": (S, "nominal_um", "size"),
    # further settings
    "title a number": (T, '"Invented trial"', "7"),
    "material a list": (T, "[balances.fine]", 'material = ["quartz"]\n[balances.fine]'),
    "author a number": (T, "[balances.fine]", "author = 7\n[balances.fine]"),
    "date a number": (T, "[balances.fine]", "date = 2026\n[balances.fine]"),
    "notes a text": (T, "[balances.fine]", 'notes = "wet"\n[balances.fine]'),
    "notes numbers": (T, "[balances.fine]", "notes = [1, 2]\n[balances.fine]"),
    "tares true": (T, '"each run"', "true"),
    "rule a number": (T, "[balances.fine]", "rule = 1\n[balances.fine]"),
    "density negative": (T, "[balances.fine]", "density_g_per_cm3 = -2.7\n[balances.fine]"),
    "density not a number": (T, "[balances.fine]", "density_g_per_cm3 = nan\n[balances.fine]"),
    "density without end": (T, "[balances.fine]", "density_g_per_cm3 = inf\n[balances.fine]"),
    "density true": (T, "[balances.fine]", "density_g_per_cm3 = true\n[balances.fine]"),
    "density of 1e13": (T, "[balances.fine]", "density_g_per_cm3 = 1e13\n[balances.fine]"),
    "shape factor zero": (T, "[balances.fine]", "shape_factor = 0\n[balances.fine]"),
    "shape factor a text": (T, "[balances.fine]", 'shape_factor = "round"\n[balances.fine]'),
    "resolution negative": (T, "resolution_g = 0.01", "resolution_g = -0.01"),
    "resolution zero": (T, "resolution_g = 0.01", "resolution_g = 0"),
    "resolution a text": (T, "resolution_g = 0.01", 'resolution_g = "0.01"'),
    "resolution not a number": (T, "resolution_g = 0.01", "resolution_g = nan"),
    "resolution with its unit": (T, "resolution_g = 0.01", "resolution_g = 0.01 g"),
    "decimal comma in the settings": (T, "resolution_g = 0.01", "resolution_g = 0,01"),
    "repeatability negative": (T, "repeatability_g = 0.01", "repeatability_g = -0.01"),
    "repeatability without end": (T, "repeatability_g = 0.01", "repeatability_g = inf"),
    "capacity zero": (T, "repeatability_g = 0.01", "capacity_g = 0"),
    "slope of one": (T, "repeatability_g = 0.01", "slope_u = 1"),
    "linearity negative": (T, "repeatability_g = 0.01", "linearity_g = -0.02"),
    "verification interval a text": (
        T,
        "repeatability_g = 0.01",
        'verification_interval_g = "e"',
    ),
    "certificate a number": (T, "repeatability_g = 0.01", "certificate = 12"),
    "balances a list": (T, "[balances.fine]\n", "[[balances]]\n"),
    "key twice": (T, "repeatability_g", "resolution_g"),
    "table twice": (T, "[compare]", "[balances.fine]\n[compare]"),
    "bracket not closed": (T, "[compare]", "[compare"),
    "text not closed": (T, '"each run"', '"each run'),
    "switch of uncertainty a number": (T, "[compare]", "[uncertainty]\nrounding = 1\n[compare]"),
    "splitting negative": (T, "[compare]", "[uncertainty]\nsplitting_percent = -1\n[compare]"),
    "splitting above all": (T, "[compare]", "[uncertainty]\nsplitting_percent = 101\n[compare]"),
    "coverage in per cent": (T, "[compare]", "[uncertainty]\ncoverage = 95\n[compare]"),
    "coverage zero": (T, "[compare]", "[uncertainty]\ncoverage = 0\n[compare]"),
    "coverage a text": (T, "[compare]", '[uncertainty]\ncoverage = "95 %"\n[compare]'),
    "coverage true": (T, "[compare]", "[uncertainty]\ncoverage = true\n[compare]"),
    "spread of runs negative": (T, "[compare]", "[compare]\nrun_to_run_percent = -1"),
    "spread of runs above all": (T, "[compare]", "[compare]\nrun_to_run_percent = 101"),
    "spread of runs stated twice": (
        T,
        "[compare]",
        "[uncertainty]\nrun_to_run_percent = 2\n[compare]\nrun_to_run_percent = 3",
    ),
    "freedom without a spread": (T, "[compare]", "[compare]\nrun_to_run_df = 5"),
    "freedom of drift zero": (T, "[compare]", "[compare]\ndrift_percent = 1\ndrift_df = 0"),
    "margin zero": (T, "[compare]", "[compare]\nmargin_percent = 0"),
    "margin without end": (T, "[compare]", "[compare]\nmargin_percent = inf"),
    "margin not a number": (T, "[compare]", "[compare]\nmargin_percent = nan"),
    "margin of all": (T, "[compare]", "[compare]\nmargin_percent = 100"),
    "margin a text": (T, "[compare]", '[compare]\nmargin_percent = "5 %"'),
    "direction unknown": (T, "[compare]", '[compare]\ndirection = "down"'),
    "one family a text": (T, "[compare]", '[compare]\none_family = "yes"'),
    "target zero": (T, "[compare]", "[compare]\ntarget_um = 0"),
    "target without end": (T, "[compare]", "[compare]\ntarget_um = 1e308"),
    "target too fine": (T, "[compare]", "[compare]\ntarget_um = 1e-300"),
    "further factor unknown": (T, "[compare]", '[compare]\nat_each = ["speed"]'),
    "further factor a number": (T, "[compare]", "[compare]\nat_each = 3"),
    "no grouping": (T, "[compare]", "[compare]\nwithin = []"),
    "grouping unknown": (T, "[compare]", '[compare]\nwithin = ["bench"]'),
    "left out unknown": (T, "[compare]", '[compare]\nleave_out = ["speed"]'),
    "limit zero": (T, "[compare]", "[limits]\nD50_upper_um = 0\n[compare]"),
    "limit a text": (T, "[compare]", '[limits]\nD50_upper_um = "fine"\n[compare]'),
    "limit in nm": (T, "[compare]", "[limits]\nD50_upper_um = 150000\n[compare]"),
    "limit of span zero": (T, "[compare]", "[limits]\nspan_upper = 0\n[compare]"),
    "limit of a share above one": (
        T,
        "[compare]",
        "[limits]\nshare_above_um = 90\nshare_above_upper = 1.5\n[compare]",
    ),
    "guard band negative": (T, "[compare]", "[limits]\nguard_k = -1\n[compare]"),
    "checks a text": (T, "[balances.fine]", 'checks = "none"\n[balances.fine]'),
    "check switched by a text": (T, "[compare]", '[checks]\noverload = "no"\n[compare]'),
    "threshold a text": (T, "[compare]", '[checks.mass_balance]\npercent = "3"\n[compare]'),
    "compared columns as a list": (T, '"milling_time_min"', '["milling_time_min"]'),
    "compared column empty": (T, '"milling_time_min"', '""'),
}

FILES: dict[str, dict[str, str | bytes | None]] = {
    "run table missing": {R: None},
    "weighings missing": {W: None},
    "run table empty": {R: ""},
    "weighings only a header": {W: "run,sieve,aperture_um,tare_g,gross_g\n"},
    "weighings in another encoding": {W: SOUND[W].replace("A 90", "Ä 90").encode("cp1252")},
    "weighings in UTF-16": {W: SOUND[W].encode("utf-16")},
    "weighings are no text": {W: b"run,\0\0\1"},
    "both apertures": {
        W: SOUND[W]
        .replace("aperture_um,", "aperture_um,aperture_mm,")
        .replace(",180,", ",180,0.18,")
        .replace(",90,", ",90,0.09,")
        .replace(",45,", ",45,0.045,")
        .replace(",0,", ",0,0,")
    },
    "decimal signs mixed": {W: SOUND[W].replace(",", ";").replace("403.00", "403,00")},
    "net mass typed wrongly": {
        W: "run,sieve,aperture_um,tare_g,gross_g,net_g\n"
        "a-0,A 180,180,400.00,403.00,3.30\na-0,A pan,0,300.00,303.90,3.9\n"
        "a-6,A 180,180,400.01,401.00,\na-6,A pan,0,300.00,304.80,\n"
        "b-0,B 180,180,410.00,413.00,\nb-0,B pan,0,310.00,313.90,\n"
    },
    "nothing weighed yet": {
        W: "run,sieve,aperture_um,tare_g,gross_g\na-0,A 180,180,,\n"
        "a-0,A pan,0,,\na-6,A 180,180,,\na-6,A pan,0,,\n"
        "b-0,B 180,180,,\nb-0,B pan,0,,\n"
    },
    "balance unknown": {R: "run,milling_time_min,balance\na-0,0,fine\na-6,6,coarse\nb-0,0,\n"},
    "correlation above one": {
        S: "sieve,nominal_um,certificate,certificate_correlation\nA 90,90,K 1,1.5\n"
    },
    "correlation without certificate": {
        S: "sieve,nominal_um,certificate_correlation\nA 90,90,0.5\n"
    },
    "effective aperture without u": {S: "sieve,nominal_um,effective_um\nA 90,90,91\n"},
    "degrees of freedom below one": {S: "sieve,nominal_um,degrees_of_freedom\nA 90,90,0.5\n"},
    "settings in another encoding": {T: 'title = "Mühle"'.encode("cp1252")},
    "too many columns": {R: ",".join(f"c{number}" for number in range(201)) + "\n1\n"},
    "run table in UTF-16": {R: SOUND[R].encode("utf-16")},
    "run table in another encoding": {R: SOUND[R].replace("Birch", "Bürke").encode("cp1252")},
    "run table only a header": {R: "run,group,milling_time_min\n"},
    "run table of blanks": {R: "   \n  \n"},
    "sieve table empty": {S: ""},
    "sieve table in another encoding": {S: SOUND[S].replace("A 90", "Ä 90").encode("cp1252")},
    "weighings of blanks": {W: "  \n\n"},
    "weighings empty": {W: ""},
    "weighings between bars": {W: SOUND[W].replace(",", "|")},
    "weighings a picture": {W: b"\x89PNG\r\n\x1a\n\x00\x00"},
    "weighings a workbook": {W: b"PK\x03\x04\x14\x00\x06\x00"},
    "weighings a web page": {W: "<html><body>run,sieve</body></html>\n"},
    "settings empty brackets": {T: "[]\n"},
    "settings a picture": {T: b"\x89PNG\r\n\x1a\n\x00\x00"},
    "settings in UTF-16": {T: SOUND[T].encode("utf-16")},
    "settings too long": {T: "# x" * 400_000},
    "settings in JSON": {T: '{"title": "Invented trial"}\n'},
    "weighings and run table exchanged": {W: SOUND[R], R: SOUND[W]},
    "gross and tare exchanged": {W: SOUND[W].replace("tare_g,gross_g", "gross_g,tare_g")},
    "numbers with thousands points": {
        W: SOUND[W].replace(",", ";").replace("403.00", "1.403,00").replace("400.00", "1.400,00")
    },
    "cell that is too long": {W: SOUND[W].replace("A 180", "A" * 2001)},
    "partly weighed run": {W: SOUND[W].replace("360.00,388.00", "360.00,")},
}
