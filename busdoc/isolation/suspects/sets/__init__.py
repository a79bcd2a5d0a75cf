"""Sets of faulty parts: what can be a cause, the likelihood of a set, the posterior over all of them."""
