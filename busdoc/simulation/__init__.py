"""Machines, faults and technicians in software, writing captures with known truth. The analysis never imports it.

`world` is the physics, `technician` the hands, `traffic` the frames, `scenario_file` and `run_folder` the files,
`random_session` and `power_up` whole sessions by seed, `demo` the one that ships with the package.
"""
