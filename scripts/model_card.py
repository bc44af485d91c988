"""The text of a model's card, from what was measured on it."""

from __future__ import annotations

from typing import Any

WHAT = {
    "one-photo": "one photo of the window, light from one side or any other",
    "two-photos": "two photos under a torch held low on opposite sides: their ratio, in which colour cancels, and mean",
}
SCORES = {
    "n": "n", "mae_octaves": "MAE, octaves", "bias_octaves": "bias", "coverage": "90 % intervals hold",
    "median_half_width": "half-width, median", "abstained": "nothing claimed", "mae_claimed": "MAE where claimed",
    "coverage_claimed": "hold, where claimed", "median_half_width_claimed": "half-width, where claimed",
}  # fmt: skip


def write_card(
    name: str,
    settings: dict[str, Any],
    metrics: dict[str, Any],
    by_tag: dict[str, dict[str, tuple[int, float]]],
) -> str:
    """The card in Markdown; every number comes from `metrics`."""
    trained = settings["trained"]
    parts = [
        f"# {name}\n",
        f"What it sees: {WHAT[name]}, at 0.2 mm a sample over 108 mm, with what the tabs' shadows tell of the light.",
        "What it says: the distribution of log2 Sq (mm, band 0.8-25 mm, ISO 16610-61 Gaussian filters, plane removed),"
        " the lay, and how far the photo lies from everything it was trained on.\n",
        "**Never validated on real floors or real chips.** Everything below is rendered. Its estimates are for"
        " screening; a person confirms against the chips.\n",
        "## Made from\n",
        f"{trained['scenes'] + trained.get('scenes_before', 0):,} floors, {trained['scenes']:,} of them in the last"
        f" call ({trained['seconds']:.0f} s, {trained['device']}), rendered as it trained (`assessor/training`): seven"
        " families of shapes and mixtures of them, Sq from 0.01 mm to what slopes allow; seven kinds of colour, among"
        " them five measured maps (CC0), marks, and hollows that look like relief and are none;"
        " lamps at 7-82 degrees, one or two, sharp to very wide, sky and window alone,"
        " ambient share 0.02-1; film and damp; blur, noise, sharpening, tone, relighting; what the card's reading gets"
        " wrong. Made again by `scripts/train`, then `scripts/calibrate`.\n",
        f"Network: {parameters(settings)}. Weights are stored in half precision; the packaged file and torch differ by"
        f" {metrics['parity']:.1e} at most.\n",
        "## Judged\n",
        "Octaves are factors of two in Sq. `fresh scenes`: drawn as those trained on. `unseen colours`: four measured"
        " maps never trained on. `photos, other renderer`: whole 12 MP photos with card and phone faults, rendered,"
        " found, read and rectified by the tool; neither their renderer nor their floors and lights trained"
        " anything, and of their colours only five of nine measured maps did; half of such photos and of the scenes in"
        " unseen colours set the widths, the other half is judged here.\n",
        table(metrics["groups"]),
        "\nMAE in octaves on the same fresh scenes, everything counted:\n",
        *(f"- {way}: {value}" for way, value in metrics["compared"].items()),
    ]
    if by_tag:
        parts.append("\nPhotos by what was drawn, n and MAE in octaves, claimed or not:\n")
        for tag, values in by_tag.items():
            told = "; ".join(f"{value} {n}, {mae}" for value, (n, mae) in values.items())
            parts.append(f"- {tag}: {told}")
    parts += [
        "\n## Limits\n",
        "- Colour is what one photo is most easily fooled by. Patterns that nobody trained it on read as relief.",
        "- Under a sky alone, or light from above, hardly anything tells heights: it abstains or is wide.",
        "- The interval is calibrated on rendered photos of two renderers. Real floors may be further off.",
        "- It knows no oil, sealer or dust; a film that shines or fills pores can mislead it.\n",
    ]
    return "\n".join(parts)


def table(groups: dict[str, dict[str, Any]]) -> str:
    """One column a group, one row a score."""
    lines = [f"| | {' | '.join(groups)} |", f"|---|{'---|' * len(groups)}"]
    for key, words in SCORES.items():
        lines.append(f"| {words} | {' | '.join(shown(key, group[key]) for group in groups.values())} |")
    return "\n".join(lines)


def shown(key: str, value: float) -> str:
    """A score as people read it."""
    if key == "n":
        return f"{value:.0f}"
    if key.startswith("coverage") or key == "abstained":
        return f"{100 * value:.0f} %"
    return f"{value:+.2f}" if key.startswith("bias") else f"{value:.2f}"


def parameters(settings: dict[str, Any]) -> str:
    """Size of the network in words."""
    from assessor.training.network import NetConfig, SqNet  # noqa: PLC0415 - scripts of training only

    count = sum(p.numel() for p in SqNet(NetConfig(**settings["network"])).parameters())
    return f"{count / 1e6:.2f} million parameters, a residual network over the whole window"
