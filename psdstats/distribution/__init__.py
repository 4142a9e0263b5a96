"""Mass fractions, cumulative undersize, percentiles by interpolation, moments, fits."""
