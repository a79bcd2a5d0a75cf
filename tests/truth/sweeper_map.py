"""The map of a street sweeper, with every kind of table that a map may have."""

__all__ = ["SWEEPER"]

SWEEPER = """\
[machine]
name = "Street sweeper 7"
cautions = ["Prop the hopper before working under it."]

[[bus]]
channel = 0
bitrate = 250000

[[part]]
name = "battery"
kind = "feed"

[[part]]
name = "fuse-3"
kind = "feed"
into = "battery"

[[part]]
name = "front-trunk"
kind = "segment"

[[part]]
name = "rear-trunk"
kind = "segment"
into = "front-trunk"

[[controller]]
name = "hopper"
into = "fuse-3"
on = "rear-trunk"
address = 0x31
channel = 0
latches = true
back_within_s = 8.0
frames = ["0x18FF3127", "0x18FF3131"]
expects = [{ frame = "0x18FF3131", period_s = 0.1 }]

[[part]]
name = "harness-A"
kind = "harness"
into = "hopper:A"
swaps_with = ["harness-B"]
prior = 0.02

[[part]]
name = "harness-B"
kind = "harness"
into = "hopper:B"

[[part]]
name = "gate-angle"
kind = "sensor"
into = "harness-A:gate"
signal = "HopperStatus.GateAngle"
unsafe_live = true

[[code]]
controller = "hopper"
spn = 3509
fmi = 4
points_at = ["sensor", "harness-A"]

[[status]]
controller = "hopper"
signal = "HopperStatus.State"
bad = ["FAULT", 3]
counter = "HopperStatus.Retries"

[report]
serial = "SW-0007"
hours = 4211
"""
