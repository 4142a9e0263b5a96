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
    "unknown column in the sieve table": (S, "standard", "maker"),
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
}
