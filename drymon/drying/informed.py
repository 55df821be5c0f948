"""What evidence makes of a coat model: a model of the same form, in which parameters that belong together stay so.

Many members of the model are weighed by how likely each of them makes what was told, and the weighted mean and
covariance on the working scale become the new model's. So the next dip has equally likely members again, and whatever
goes by a model goes by an informed one. Evidence of any kind comes in as one number a member: the sum of its log
likelihoods. The members are those that `dips.possible_coats` and `draws` give for `MANY`.
"""

from dataclasses import replace
from functools import lru_cache

import numpy as np

from drymon.drying import draws, possible
from drymon.drying.coat_model import PARAMETERS, CoatModel, Spread, from_working, to_working
from drymon.drying.possible import Array

MANY = 4096
"""Members that are weighed: luck moves means and correlations by 0.02 of their scale where half of them count."""

LEAST_COUNTING = 10.0 * len(PARAMETERS)
"""Members that evidence must leave counting, else it is toned down: a covariance of fewer would be luck (assumed)."""


def informed(model: CoatModel, log_likelihood: Array, counted: str = "") -> CoatModel:
    """The model once evidence is counted.

    log_likelihood: (members,) of what was told, by member of `draws.parameter_draws(model, members)`; a constant added
    to all changes nothing. counted: the evidence in words, for people; none where it is part of other evidence.
    ValueError: it is not finite for any member.
    """
    log_likelihood = np.where(np.isnan(log_likelihood), -np.inf, log_likelihood)
    if not np.isfinite(log_likelihood.max()):
        raise ValueError("log_likelihood: received none that is finite; allowed is evidence that some member explains")
    members = len(log_likelihood)
    weights = possible.toned_down(np.ones(members), log_likelihood, LEAST_COUNTING)
    mean, covariance = _matched(_root(model), weights)
    sds = np.sqrt(np.diag(covariance))
    return replace(
        model,
        parameters={name: _moved(name, model.parameters[name], mean[i], sds[i]) for i, name in enumerate(PARAMETERS)},
        correlation=tuple(map(tuple, (covariance / np.outer(sds, sds)).tolist())),
        counted=(*model.counted, counted) if counted else model.counted,
    )


def _root(model: CoatModel) -> Array:
    """Of the model's correlation: root @ root.T."""
    if model.correlation is None:
        return np.eye(len(PARAMETERS))
    return np.asarray(np.linalg.cholesky(np.asarray(model.correlation)))


def _matched(root: Array, weights: Array) -> tuple[Array, Array]:
    """Mean and covariance of the parameters in units of the model's standard deviations, once members weigh so much."""
    independent = _independent(len(weights))
    mean = weights @ independent
    apart = independent - mean
    spread = root @ (apart.T * weights) @ apart @ root.T
    return np.asarray(root @ mean), np.asarray(0.5 * (spread + spread.T))


def _moved(name: str, spread: Spread, by: float, wider: float) -> Spread:
    """A parameter whose mean has moved by so many of its standard deviations, and whose own is so many of them."""
    centre = from_working(name, to_working(name, spread.centre) + float(by) * spread.sd)
    return Spread(centre, float(wider) * spread.sd)


@lru_cache(maxsize=4)
def _independent(members: int) -> Array:
    """Scores of the members' parameters (members, parameters). What they are off by on their own is taken out, so that
    members of equal weight give back the very model.
    """
    scores = draws.parameter_scores(members)
    own = np.linalg.cholesky(np.cov(scores, rowvar=False, bias=True))
    return np.asarray(np.linalg.solve(own, (scores - scores.mean(axis=0)).T).T)
