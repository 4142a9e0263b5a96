"""The sources of uncertainty, in one module for each thing that causes them."""
