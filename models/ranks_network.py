"""A small network on ranks: taught with PyTorch, written as plain layers.

Dropout of inputs and of hidden values stands for photos in which a measurement fails or says
nothing (Srivastava et al. 2014, Journal of Machine Learning Research 15, 1929); it keeps the
network from trusting any one of them.
"""

from typing import Any, Self

import numpy as np
from sklearn.base import BaseEstimator, ClassifierMixin

from models.convolutions import MOST_RATE, pytorch
from panelvision.arrays import FloatArray, IntArray
from panelvision.evaluators import log_softmax

# chosen on drawn scenes, as the settings of the other families were
WIDTHS = (256, 256)
EPOCHS = 60
BATCH = 64
DROPOUT_INPUT = 0.2
DROPOUT = 0.6
WEIGHT_DECAY = 0.1
SMOOTHING = 0.03  # label smoothing (Szegedy et al. 2016, arXiv 1512.00567, section 7)
# Normal scores beyond this are as far out as those at it: what is extreme on drawn photos and
# what is on others need not be equally so.
MOST_SCORE = 3.0


class RanksNetwork(ClassifierMixin, BaseEstimator):
    """Layers with batch normalisation, rectifiers and dropout, as a scikit-learn classifier.

    Parameters
    ----------
    seed : int

    Attributes
    ----------
    classes_ : ndarray of shape (n_classes,)
    weights_ : list of ndarray of shape (n_in, n_out)
    biases_ : list of ndarray of shape (n_out,)
        Normalisation folded in: rectifiers between the layers are all that is left.
    """

    def __init__(self, seed: int = 0) -> None:
        self.seed = seed

    def fit(self, x: FloatArray, y: IntArray) -> Self:
        """Teach on normal scores (n, n_features) and labels (n,).

        Raises
        ------
        ModelError
            When PyTorch is not installed.
        """
        torch = pytorch()
        self.classes_, target = np.unique(y, return_inverse=True)
        with torch.random.fork_rng(devices=[]):
            torch.manual_seed(self.seed)
            layers = self._teach(torch, np.clip(x, -MOST_SCORE, MOST_SCORE), target)
        self.weights_, self.biases_ = _folded(layers)
        return self

    def _teach(self, torch: Any, x: FloatArray, y: IntArray) -> Any:
        nn = torch.nn
        layers: list[Any] = [nn.Dropout(DROPOUT_INPUT)]
        before = x.shape[1]
        for width in WIDTHS:
            layers += [nn.Linear(before, width), nn.BatchNorm1d(width), nn.ReLU()]
            layers.append(nn.Dropout(DROPOUT))
            before = width
        net = nn.Sequential(*layers, nn.Linear(before, len(self.classes_)))
        inputs = torch.as_tensor(x, dtype=torch.float32)
        labels = torch.as_tensor(y, dtype=torch.long)
        steps = max(1, len(x) // BATCH)
        best = torch.optim.AdamW(net.parameters(), lr=MOST_RATE, weight_decay=WEIGHT_DECAY)
        rate = torch.optim.lr_scheduler.OneCycleLR(best, MOST_RATE, total_steps=EPOCHS * steps)
        for _ in range(EPOCHS):
            order = torch.randperm(len(x))
            for k in range(steps):
                rows = order[k * BATCH : (k + 1) * BATCH]
                loss = nn.functional.cross_entropy(
                    net(inputs[rows]), labels[rows], label_smoothing=SMOOTHING
                )
                best.zero_grad(set_to_none=True)
                loss.backward()
                best.step()
                rate.step()
        return net.eval()

    def predict_proba(self, x: FloatArray) -> FloatArray:
        """Probabilities (n, n_classes) of normal scores (n, n_features)."""
        seen = np.clip(x, -MOST_SCORE, MOST_SCORE)
        for weight, bias in zip(self.weights_[:-1], self.biases_[:-1], strict=True):
            seen = np.maximum(seen @ weight + bias, 0)
        out: FloatArray = np.exp(log_softmax(seen @ self.weights_[-1] + self.biases_[-1]))
        return out

    def predict(self, x: FloatArray) -> IntArray:
        """Most probable classes (n,)."""
        found: IntArray = self.classes_[self.predict_proba(x).argmax(axis=1)]
        return found


def _folded(net: Any) -> tuple[list[FloatArray], list[FloatArray]]:
    """Weights (n_in, n_out) and biases of each layer, as with the normalisation after it."""
    weights, biases = [], []
    modules = list(net)
    for at, layer in enumerate(modules):
        if not hasattr(layer, "in_features"):
            continue
        weight = layer.weight.detach().double().numpy().T
        bias = layer.bias.detach().double().numpy()
        after = modules[at + 1] if at + 1 < len(modules) else None
        if after is not None:
            spread = (after.running_var + after.eps).sqrt().double().numpy()
            scale = after.weight.detach().double().numpy() / spread
            weight = weight * scale
            bias = (bias - after.running_mean.double().numpy()) * scale
            bias = bias + after.bias.detach().double().numpy()
        weights.append(weight)
        biases.append(bias)
    return weights, biases
