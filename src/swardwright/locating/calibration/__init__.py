"""Calibration of camera, mount and aim: each a module beside this one, used by the ``calibrate`` commands."""
