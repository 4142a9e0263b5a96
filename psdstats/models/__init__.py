"""Mixed models for small designs: REML, small-sample inference, contrasts, diagnostics."""
