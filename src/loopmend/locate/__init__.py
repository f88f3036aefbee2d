"""Which span is it, and where to split next: the dead part, priors, likelihood, posterior and plans."""
