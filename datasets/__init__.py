"""Demo studies (invented) and published reference cases, each with a README."""
