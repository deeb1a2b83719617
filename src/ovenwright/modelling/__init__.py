"""Fit a body to a run and look ahead: priors, ensemble, fit, forecast, product record."""
