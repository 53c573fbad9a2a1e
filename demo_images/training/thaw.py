"""A network to train on from its ONNX file: written out, its normalisations are folded into the convolutions."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn

from training.net import Reader

#: What the convolutions before a normalisation mean with it folded in: their weights, and the bias of their sum.
_Meant = dict[nn.Module, tuple[list[Tensor], Tensor]]


def thaw(net: Reader, path: Path, views: Tensor) -> None:
    """Give ``net`` the weights of an ONNX file, so that it says the same of any picture and can go on learning.

    ``views`` (B, 3, H, W) are pictures such as it learns from.
    """
    folded = _convolutions(onnx.load(str(path)).graph)
    names = {part: name for name, part in net.named_modules()}
    meant: _Meant = {}
    for layers, norm in _groups(net):
        if _as_written(names[layers[0]]) not in folded:  # the file is of a network without it: it stays fresh
            continue
        weights, biases = zip(*(folded[_as_written(names[layer])] for layer in layers), strict=True)
        meant[norm] = list(weights), torch.stack(biases).sum(0)
    with torch.no_grad():
        if net.along is not None and (tell := _as_written("along.tell")) in folded:
            net.along.tell.weight.copy_(folded[tell][0])
        weight, bias = folded["/head/Conv"]
        net.head.weight.copy_(weight)
        net.head.bias.copy_(bias)
    _settle(net, meant, views)


def take_mean(net: Reader, others: Sequence[Reader], views: Tensor) -> None:
    """Give ``net`` the mean of several networks' convolutions, each with the normalisation behind it, so that it can go
    on learning. ``views`` (B, 3, H, W) are pictures such as it learns from."""
    every = [list(_groups(other)) for other in others]
    meant: _Meant = {}
    with torch.no_grad():
        for (layers, norm), *same in zip(_groups(net), *every, strict=True):
            scales = [each.weight / (each.running_var + each.eps).sqrt() for _, each in same]
            weights = [
                _mean(own[k].weight * x[:, None, None, None] for (own, _), x in zip(same, scales, strict=True))
                for k in range(len(layers))
            ]
            meant[norm] = (
                weights,
                _mean(each.bias - each.running_mean * x for (_, each), x in zip(same, scales, strict=True)),
            )
        if net.along is not None:
            net.along.tell.weight.copy_(_mean(other.along.tell.weight for other in others if other.along is not None))
        net.head.weight.copy_(_mean(other.head.weight for other in others))
        net.head.bias.copy_(_mean(other.head.bias for other in others))
    _settle(net, meant, views)


def _settle(net: Reader, meant: _Meant, views: Tensor) -> None:
    """Bring each filter to length one, as a fresh one nearly is; the normalisation behind it takes over what the filter
    meant, with the mean and spread that it has over ``views``: while a network learns, those are its batch's own."""
    lengths: dict[nn.Module, tuple[Tensor, Tensor]] = {}
    with torch.no_grad():
        for layers, norm in _groups(net):
            if norm not in meant:
                continue
            weights, bias = meant[norm]
            length = torch.stack([w.square().sum((1, 2, 3)) for w in weights]).sum(0).sqrt().clamp_min(1e-6)
            for layer, weight in zip(layers, weights, strict=True):
                layer.weight.copy_(weight / length[:, None, None, None])
            lengths[norm] = length, bias

    seen: dict[nn.Module, tuple[Tensor, Tensor]] = {}

    def take_over(norm: nn.Module, inputs: tuple[Tensor]) -> None:
        mean, spread = inputs[0].mean((0, 2, 3)), inputs[0].var((0, 2, 3), unbiased=False)
        length, bias = (x.to(spread.device) for x in lengths[norm])
        norm.weight.copy_((spread + norm.eps).sqrt() * length)
        norm.bias.copy_(bias + mean * length)
        seen[norm] = mean, spread

    hooks = [norm.register_forward_pre_hook(take_over) for norm in lengths]
    net.train()
    with torch.no_grad():
        net(views)
        for norm, (mean, spread) in seen.items():
            norm.running_mean.copy_(mean)
            norm.running_var.copy_(spread)
    for hook in hooks:
        hook.remove()


def _mean(values: Iterable[Tensor]) -> Tensor:
    return torch.stack(list(values)).mean(0)


def _convolutions(graph: onnx.GraphProto) -> dict[str, tuple[Tensor, Tensor]]:
    """Weights and biases of the convolutions by the name of their node; no bias is a bias of nought."""
    values = {each.name: torch.from_numpy(numpy_helper.to_array(each).copy()) for each in graph.initializer}
    for node in graph.node:
        if node.op_type == "DequantizeLinear" and node.input[0] in values:  # kept in whole numbers, a scale per filter
            whole, scale = values[node.input[0]].float(), values[node.input[1]]
            values[node.output[0]] = whole * scale.reshape(-1, *[1] * (whole.ndim - 1))
    layers: dict[str, tuple[Tensor, Tensor]] = {}
    for node in graph.node:
        if node.op_type == "Conv":
            weight = values[node.input[1]]
            layers[node.name] = weight, values[node.input[2]] if len(node.input) > 2 else torch.zeros(len(weight))
    return layers


def _as_written(layer: str) -> str:
    """The node of a layer: its path part by part, but a join writes out its own two, below first."""
    parts = layer.split(".")
    if parts[-1] in ("below", "beside"):
        return f"/{parts[0]}/Conv" + "_1" * (parts[-1] == "beside")
    return "/" + "/".join(".".join(parts[: k + 1]) for k in range(len(parts))) + "/Conv"


def _groups(net: Reader) -> Iterator[tuple[list[nn.Conv2d], nn.BatchNorm2d]]:
    """The convolutions before each normalisation, in the order in which they are run."""
    along = [] if net.along is None else [net.along.ask]
    for part in (net.stem, net.enc1, net.enc2, net.enc3, net.enc4, net.enc5, *along):
        layers = [each for each in part.modules() if isinstance(each, nn.Conv2d)]
        norms = [each for each in part.modules() if isinstance(each, nn.BatchNorm2d)]
        yield from (([layer], norm) for layer, norm in zip(layers, norms, strict=True))
    for join in (net.dec4, net.dec3, net.dec2):
        yield [join.below, join.beside], join.norm
    yield [net.out2[0]], net.out2[1]
    yield [net.dec1.below, net.dec1.beside], net.dec1.norm
    yield [net.out1[0]], net.out1[1]
