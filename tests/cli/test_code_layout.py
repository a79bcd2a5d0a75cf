"""An older controller's fault codes are read by the layout that the machine map names."""

from pathlib import Path

import pytest

from busdoc.analysis.postmortem import postmortem

# SPN 1208 FMI 3, count 10, conversion method 1, in the three older layouts. The first two after a gateway maker's
# manual, the third from memory of SAE J1939-73.
LAYOUTS = {1: "0097038A", 2: "9700038A", 3: "B804038A"}


@pytest.mark.parametrize("layout", [1, 2, 3])
def test_the_map_says_how_the_spn_lies_in_the_bytes(tmp_path: Path, layout: int) -> None:
    lines = []
    for k in range(100):
        lines.append(f"({0.1 * k:.6f}) can0 18FF3131#0011223344556677")
        if k % 10 == 0:
            lines.append(f"({0.1 * k + 0.05:.6f}) can0 18FECA31#04FF{LAYOUTS[layout]}FFFF")
    (tmp_path / "old.log").write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = f'[[controller]]\nname = "hopper"\naddress = 0x31\ncode_layout = {layout}\n'
    (tmp_path / "machine.toml").write_text(text, encoding="utf-8")
    (code,) = postmortem([tmp_path / "old.log"], machine_file=tmp_path / "machine.toml").codes
    assert (code.controller, code.spn, code.fmi, code.controller_count) == ("hopper", 1208, 3, 10)
