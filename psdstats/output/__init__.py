"""Tables, figures and the report; draws onto Axes and writes text, computes nothing."""
