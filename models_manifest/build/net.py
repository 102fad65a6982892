"""The acoustic network: a TDNN-F in PyTorch that can be written in Kaldi's nnet3 format.

MFCC frames spliced by +-1, then 14 factored layers; layers 2-4 see every frame, the others every
third one.  No speaker vectors.
"""

from __future__ import annotations

import torch
from torch import nn
from torch.nn import functional as F

from kaldi_write import NnetWriter

CONTEXT = 34  # input frames seen on either side of an output frame
BYPASS = 0.66
EPS = 1e-4


class Diagonal(nn.Module):
    """y = x * scale + offset: a batch normalization with fixed statistics."""

    def __init__(self, dim: int):
        super().__init__()
        self.scale = nn.Parameter(torch.ones(dim))
        self.offset = nn.Parameter(torch.zeros(dim))

    def forward(self, x):
        return x * self.scale + self.offset


class Norm(nn.Module):
    """Batch normalization over rows and frames while training; ``folded`` turns it into a Diagonal."""

    def __init__(self, dim: int):
        super().__init__()
        self.scale = nn.Parameter(torch.ones(dim))
        self.offset = nn.Parameter(torch.zeros(dim))
        self.register_buffer("mean", torch.zeros(dim))
        self.register_buffer("var", torch.ones(dim))
        self.momentum = 0.02

    def forward(self, x):
        if self.training:
            flat = x.detach().flatten(0, 1)
            with torch.no_grad():
                self.mean.lerp_(flat.mean(0), self.momentum)
                self.var.lerp_(flat.var(0, unbiased=False), self.momentum)
            y = F.batch_norm(x.flatten(0, 1), None, None, self.scale, self.offset, training=True, eps=EPS)
            return y.view_as(x)
        return x * self.factor() + (self.offset - self.mean * self.factor())

    def factor(self):
        """What a value is multiplied by."""
        return self.scale * torch.rsqrt(self.var + EPS)


def folded(net: TdnnF) -> TdnnF:
    """The same network with each Norm as the Diagonal that it has become."""
    out = TdnnF(net.output.out_features, net.feature_dim, net.dim, net.bottleneck, net.output.in_features)
    state = {}
    for name, value in net.state_dict().items():
        owner = net.get_submodule(name.rpartition(".")[0])
        if not isinstance(owner, Norm):
            state[name] = value
        elif name.endswith(".scale"):
            state[name] = owner.factor().detach()
        elif name.endswith(".offset"):
            state[name] = (owner.offset - owner.mean * owner.factor()).detach()
    out.load_state_dict(state)
    return out.eval()


class Factored(nn.Module):
    """Bottleneck + affine + ReLU + norm, with a scaled bypass.

    ``span`` is the distance in frames that each half of the layer looks back
    (bottleneck) and ahead (affine); 0 means that it sees the current frame only.
    """

    def __init__(self, dim: int, bottleneck: int, span: int, norm: type[nn.Module] = Diagonal):
        super().__init__()
        self.span = span
        taps = 2 if span else 1
        self.linear = nn.Linear(dim * taps, bottleneck, bias=False)
        self.affine = nn.Linear(bottleneck * taps, dim)
        self.norm = norm(dim)

    def forward(self, x):
        skip = x
        if self.span:
            x = self.linear(torch.cat([x[:, :-1], x[:, 1:]], dim=2))
            x = self.affine(torch.cat([x[:, :-1], x[:, 1:]], dim=2))
            skip = skip[:, 1:-1]
        else:
            x = self.affine(self.linear(x))
        return self.norm(F.relu(x)) + BYPASS * skip


class TdnnF(nn.Module):
    context = CONTEXT

    def __init__(
        self,
        outputs: int,
        feature_dim: int = 40,
        dim: int = 768,
        bottleneck: int = 64,
        final: int | None = None,
        norm: type[nn.Module] = Diagonal,
    ):
        super().__init__()
        final = final or bottleneck
        self.feature_dim, self.dim, self.bottleneck = feature_dim, dim, bottleneck
        self.input = nn.Linear(3 * feature_dim, dim)
        self.input_norm = norm(dim)
        spans = [1, 1, 1, 0] + [3] * 10
        self.layers = nn.ModuleList(Factored(dim, bottleneck, s, norm) for s in spans)
        self.prefinal_l = nn.Linear(dim, bottleneck, bias=False)
        self.prefinal_affine = nn.Linear(bottleneck, dim)
        self.prefinal_norm1 = norm(dim)
        self.prefinal_linear = nn.Linear(dim, final, bias=False)
        self.prefinal_norm2 = norm(final)
        self.output = nn.Linear(final, outputs)

    def forward(self, features):
        """(batch, 3 * n - 2 + 2 * CONTEXT, feature_dim) -> (batch, n, outputs)."""
        x = torch.cat([features[:, :-2], features[:, 1:-1], features[:, 2:]], dim=2)
        x = self.input_norm(F.relu(self.input(x)))
        for i, layer in enumerate(self.layers):
            if i == 3:  # from here on only every third frame is needed
                x = x[:, ::3]
            x = layer(x)
        x = self.prefinal_affine(self.prefinal_l(x))
        x = self.prefinal_norm1(F.relu(x))
        x = self.prefinal_norm2(self.prefinal_linear(x))
        return self.output(x)


def pad(features: torch.Tensor, context: int = CONTEXT) -> torch.Tensor:
    """(batch, frames, dim): adds the context that Kaldi adds, copies of the first and last frame."""
    frames = features.shape[1]
    n = (frames + 2) // 3
    right = 3 * n - 2 - frames + context
    return torch.cat([features[:, :1].expand(-1, context, -1), features, features[:, -1:].expand(-1, right, -1)], dim=1)


def to_nnet3(net: TdnnF, bits: int = 32) -> bytes:
    def arr(p):
        return p.detach().cpu().numpy()

    w = NnetWriter(net.feature_dim, bits)

    def norm(name, source, layer):
        w.scale(name + ".scale", source, arr(layer.scale))
        return w.bias(name + ".norm", name + ".scale", arr(layer.offset))

    def spliced(source, offsets):
        if offsets == [0]:
            return source
        return "Append(" + ", ".join(f"Offset({source}, {o})" if o else source for o in offsets) + ")"

    w.affine("input.affine", spliced("input", [-1, 0, 1]), arr(net.input.weight), arr(net.input.bias))
    w.relu("input.relu", "input.affine", net.dim)
    last = norm("input", "input.relu", net.input_norm)
    for i, layer in enumerate(net.layers):
        name, s = f"layer{i + 2}", layer.span
        w.affine(name + ".linear", spliced(last, [-s, 0] if s else [0]), arr(layer.linear.weight))
        w.affine(
            name + ".affine",
            spliced(name + ".linear", [0, s] if s else [0]),
            arr(layer.affine.weight),
            arr(layer.affine.bias),
        )
        w.relu(name + ".relu", name + ".affine", net.dim)
        out = norm(name, name + ".relu", layer.norm)
        last = w.noop(name + ".sum", f"Sum(Scale({BYPASS}, {last}), {out})", net.dim)
    w.affine("prefinal.l", last, arr(net.prefinal_l.weight))
    w.affine("prefinal.affine", "prefinal.l", arr(net.prefinal_affine.weight), arr(net.prefinal_affine.bias))
    w.relu("prefinal.relu", "prefinal.affine", net.dim)
    last = norm("prefinal1", "prefinal.relu", net.prefinal_norm1)
    w.affine("prefinal.linear", last, arr(net.prefinal_linear.weight))
    last = norm("prefinal2", "prefinal.linear", net.prefinal_norm2)
    w.affine("output.affine", last, arr(net.output.weight), arr(net.output.bias))
    w.output("output.affine")
    return w.serialize(CONTEXT, CONTEXT)


def load(path: str) -> TdnnF:
    state = {k: v.float() for k, v in torch.load(path, map_location="cpu").items()}
    final, outputs = state["output.weight"].shape[1], state["output.weight"].shape[0]
    dim, bottleneck = state["prefinal_affine.weight"].shape
    net = TdnnF(outputs, state["input.weight"].shape[1] // 3, dim, bottleneck, final)
    net.load_state_dict(state)
    return net.eval()
