"""A forest of decision trees as plain arrays: grown once by scikit-learn, read by numpy alone.

Source: extremely randomised trees (Geurts, Ernst and Wehenkel 2006); the units of the library that
share a run's leaves, each by its share of them, are its neighbours (Meinshausen 2006).
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

_TREES = 300
#: Share of the features that each split may choose from.
_FEATURES_FRAC = 0.3

Floats = NDArray[np.float64]
Ints = NDArray[np.int32]


@dataclass(frozen=True, kw_only=True, slots=True, eq=False)
class Forest:
    """Trees in one row of nodes: a leaf has feature -1 and is its own successor."""

    feature: Ints  # by node
    threshold: Floats
    left: Ints
    right: Ints
    root: Ints  # by tree, its first node
    leaf: Ints  # unit of the library by tree: the leaf it comes to
    in_bag: NDArray[np.bool_]  # unit by tree: whether the tree was grown on it
    share: Floats  # by unit: what it counts in a leaf

    def weights(self, row: Floats, without: int | None = None) -> Floats:
        """Return each unit's share of the leaves that a row of features comes to; sums to one.

        ``without`` leaves a unit of the library out, and every tree that was grown on it: the
        row is that unit's own.
        """
        same = self.leaf == self._leaves(row)[np.newaxis, :]
        if without is not None:
            same[without] = False
            same = same[:, ~self.in_bag[without]]
        sizes = self.share @ same
        there = sizes > 0.0
        if not there.any():
            return np.full(len(self.leaf), 1.0 / len(self.leaf))
        shares: Floats = (same[:, there] / sizes[there]).sum(axis=1) / there.sum()
        return self.share * shares

    def _leaves(self, row: Floats) -> Ints:
        node = self.root.copy()
        while True:
            feature = self.feature[node]
            inner = feature >= 0
            if not inner.any():
                return node
            goes_left = row[feature] <= self.threshold[node]
            node = np.where(inner, np.where(goes_left, self.left[node], self.right[node]), node)

    def arrays(self) -> dict[str, NDArray[Any]]:
        """Return the arrays to be stored, by name."""
        return {f"forest_{name}": getattr(self, name) for name in self.__slots__}

    @classmethod
    def of_arrays(cls, stored: Mapping[str, Any]) -> Forest:
        """Return the forest that :meth:`arrays` told of; KeyError: it did not."""
        return cls(**{name: stored[f"forest_{name}"] for name in cls.__slots__})


def grown(
    rows: Floats,
    kinds: NDArray[np.str_],
    displaced: Floats,
    *,
    share: Floats | None = None,
    trees: int = _TREES,
    seed: int = 1,
) -> Forest:
    """Grow a forest that tells the kinds of units apart.

    Args:
        rows: One row a unit, one column a feature; finite.
        kinds: The class of each unit.
        displaced: The same, each as far from the first as another design of such a unit may lie:
            a tree is grown on either, so that no split hangs on the last digit of a model.
        share: What each unit counts; None: all the same.
        trees: How many.
        seed: Same seed, same forest.
    """
    # a second of imports and some of work: only where a library is made
    from sklearn.ensemble import ExtraTreesClassifier

    model = ExtraTreesClassifier(
        trees, max_features=_FEATURES_FRAC, bootstrap=True, random_state=seed, n_jobs=1
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of libraries behind it; none says anything of the units
        weights = None if share is None else np.concatenate([share, share])
        model.fit(np.vstack([rows, displaced]), np.concatenate([kinds, kinds]), weights)
        leaf = model.apply(rows)
    count = len(rows)
    in_bag = np.zeros((count, trees), dtype=bool)
    for tree, chosen in enumerate(model.estimators_samples_):
        in_bag[np.unique(chosen) % count, tree] = True
    parts: dict[str, list[NDArray[Any]]] = {"feature": [], "threshold": [], "left": [], "right": []}
    roots, first = [], 0
    for index, estimator in enumerate(model.estimators_):
        tree = estimator.tree_
        own = np.arange(tree.node_count)
        inner = tree.children_left >= 0
        parts["feature"].append(np.where(inner, tree.feature, -1))
        parts["threshold"].append(tree.threshold)
        parts["left"].append(np.where(inner, tree.children_left, own) + first)
        parts["right"].append(np.where(inner, tree.children_right, own) + first)
        leaf[:, index] += first
        roots.append(first)
        first += tree.node_count
    joined = {name: np.concatenate(arrays) for name, arrays in parts.items()}
    return Forest(
        feature=joined["feature"].astype(np.int32),
        threshold=joined["threshold"].astype(np.float64),
        left=joined["left"].astype(np.int32),
        right=joined["right"].astype(np.int32),
        root=np.array(roots, dtype=np.int32),
        leaf=leaf.astype(np.int32),
        in_bag=in_bag,
        share=np.ones(count) if share is None else share,
    )
