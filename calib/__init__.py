"""What the camera is: conventions, camera model, lens profiles, opening photos, calibration."""
