"""Run to profile: health checks, alignment, correction with its uncertainty."""
