"""Databases that several modules of tests read."""

import pytest

from busdoc.decode.database.database import Database, load_databases

# SAE J1939-71: scales and places as tabulated there
J1939 = f"""VERSION ""
BU_: A
BO_ {0x8CF004FE} EEC1: 8 A
 SG_ EngineSpeed : 24|16@1+ (0.125,0) [0|8031.875] "rpm" A
 SG_ TorqueMode : 0|4@1+ (1,0) [0|15] "" A
BO_ {0x98FEEEFE} ET1: 8 A
 SG_ CoolantTemperature : 0|8@1+ (1,-40) [-40|210] "degC" A
 SG_ OilTemperature : 16|16@1+ (0.03125,-273) [-273|1735] "degC" A
BO_ {0x98FEF7FE} VEP1: 8 A
 SG_ NetCurrent : 0|8@1+ (1,-125) [-125|125] "A" A
 SG_ ChargingPotential : 32|16@1+ (0.05,0) [0|3212.75] "V" A
 SG_ BatteryPotential : 48|16@1+ (0.05,0) [0|3212.75] "V" A
BO_ {0x98FEF1FE} CCVS: 8 A
 SG_ ParkingBrake : 2|2@1+ (1,0) [0|3] "" A
 SG_ WheelSpeed : 8|16@1+ (0.00390625,0) [0|250.996] "km/h" A
BO_ {0x98FEE9FE} Fuel: 8 A
 SG_ TotalFuel : 32|32@1+ (0.5,0) [0|2105540607.5] "L" A
"""


@pytest.fixture(scope="session")
def j1939(tmp_path_factory: pytest.TempPathFactory) -> Database:
    """Load a database of parameters with published scales."""
    path = tmp_path_factory.mktemp("j1939") / "j1939.dbc"
    path.write_text(J1939, encoding="utf-8")
    return load_databases([path])
