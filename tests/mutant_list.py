"""Wrong lines at the joints, each with the tests that must see it.

A line is (file, as it stands, as it would be wrong, tests). The text stands once in its file;
`tests/test_mutants.py` holds that, `tests/mutants.py` puts each in and runs its tests.
"""

from __future__ import annotations

from typing import NamedTuple


class Mutant(NamedTuple):
    """One wrong line."""

    says: str
    file: str  # below the checkout
    before: str
    after: str
    tests: tuple[str, ...]


EQUATION = "pipeline/radiometry/equation.py"
KERNEL = "pipeline/radiometry/kernel.py"
TABLES = "pipeline/calibrate/kernel_tables.py"
VARIABLES = "pipeline/calibrate/cube_variables.py"
READINGS = "pipeline/calibrate/panels/readings.py"
CURVE = "pipeline/radiometry/illumination/curve.py"
INPUTS = "pipeline/calibrate/input_manifest.py"
CACHE = "pipeline/flight/measurement_cache.py"
LEDGER = "pipeline/campaign/ledger.py"
PANEL_CHECKS = "pipeline/assess/panel_checks.py"

BY_HAND = ("tests/radiometry/test_equation.py", "tests/published/test_propagation.py")
TWIN = ("tests/property/test_kernel_twin.py", "tests/radiometry/test_kernel.py")
FORMULAS = ("tests/calibrate/test_kernel_tables.py",)
REBUILT = ("tests/published/test_counts_rebuilt.py",)
RERUN = ("tests/flight/test_rerun.py",)
PANELS = ("tests/calibrate/test_panel_readings.py",)
CORE = ("tests/radiometry/panels/test_core.py",)
LIGHT = ("tests/radiometry/illumination",)
YORK = ("tests/published/test_york.py",)
LINE = ("tests/radiometry/test_empirical_line.py", "tests/published/test_propagation.py")
MANIFEST = ("tests/calibrate/test_input_manifest.py",)
SWEEP = ("tests/campaign/test_sweep_inbox.py", "tests/campaign/test_sweep_schedules.py")
DARK = ("tests/radiometry/test_dark.py", "tests/calibrate/test_darks.py")
WORDS = ("tests/read/test_own_words.py", "tests/flight/test_own_words_flight.py")
RASTER = ("tests/read/test_rasters.py",)

MUTANTS = (
    # The measurement equation
    Mutant("the dark's uncertainty dropped", EQUATION,
           "(noise2 + dark_uncertainty**2) / response**2", "noise2 / response**2",
           (*FORMULAS, *BY_HAND)),
    Mutant("the covariance of gain and offset dropped", EQUATION,
           "signal * signal * fit.by_signal_squared + signal * fit.by_signal",
           "signal * signal * fit.by_signal_squared", (*FORMULAS, *BY_HAND, *TWIN)),
    Mutant("the light's relative uncertainty taken as absolute", EQUATION,
           "x.signal * x.ratio_uncertainty / x.ratio)", "x.signal * x.ratio_uncertainty)",
           BY_HAND),
    Mutant("the covariance counted once", EQUATION,
           "+ 2 * signal * self.covariance", "+ signal * self.covariance", BY_HAND),
    Mutant("photons below the dark", EQUATION,
           "np.maximum(signal * response, 0)", "np.asarray(signal * response)", BY_HAND),
    Mutant("signal multiplied by the response", EQUATION,
           "inverse_response=1 / response", "inverse_response=1 * response", FORMULAS),
    Mutant("shot noise without the response", EQUATION,
           "1 / (electrons_per_count * response) if known",
           "1 / (electrons_per_count + 0 * response) if known", (*FORMULAS, *BY_HAND)),
    Mutant("light multiplied instead of divided", EQUATION,
           "RatioCoefficients(1 / ratio,", "RatioCoefficients(1 * ratio,", (*BY_HAND, *FORMULAS)),
    # What the kernel is handed
    Mutant("u(q) set to 0", TABLES,
           "ratio_variance=_f32(ratio.relative_variance)",
           "ratio_variance=_f32(0 * ratio.relative_variance)", FORMULAS),
    Mutant("read noise with the dark's uncertainty", TABLES,
           "read_variance=_f32(element.read_variance)",
           "read_variance=_f32(element.fixed_variance)", FORMULAS),
    Mutant("`dark_uncertain` never set", TABLES,
           "np.where(uncertain, QualityFlag.DARK_UNCERTAIN, 0)", "np.where(uncertain, 0, 0)",
           FORMULAS),
    Mutant("`dark_uncertain` wherever the dark is extrapolated", TABLES,
           "dark.extrapolated & (possible_drift > DARK_UNCERTAIN_COUNTS)", "dark.extrapolated",
           FORMULAS),
    Mutant("the drift outside the captures on one side alone", TABLES,
           "np.maximum(when[0] - time_s, time_s - when[-1])", "when[0] - time_s", FORMULAS),
    Mutant("gain's variance and offset's swapped", TABLES,
           "gain_variance=band(fit.gain_variance, 0.0)",
           "gain_variance=band(fit.offset_variance, 0.0)", FORMULAS),
    Mutant("the change of the dark left out", TABLES,
           "dark_change=_f32(dark.change[bands])", "dark_change=_f32(0 * dark.change[bands])",
           FORMULAS),
    Mutant("the response's uncertainty left out", TABLES,
           "response_variance=_f32(element.response_variance)",
           "response_variance=_f32(0 * element.response_variance)", FORMULAS),
    Mutant("the fit's span turned round", TABLES,
           "low=band(fit.low, -math.inf)", "low=band(fit.high, -math.inf)",
           (*FORMULAS, "tests/flight/test_truth.py")),
    Mutant("what is blank by the config left out", "pipeline/config/flight.py",
           "quality_mask(self.blank) | WITHOUT_VALUE", "quality_mask(self.blank)",
           ("tests/config/test_flight_config.py", "tests/flight/test_quality_options.py")),
    # The kernel
    Mutant("saturation above its count in the scene", KERNEL,
           "if n >= saturation:", "if n > saturation:", (*TWIN, *FORMULAS)),
    Mutant("two tally columns swapped", KERNEL,
           "tallies[1] = n_saturated", "tallies[1] = n_low", TWIN),
    Mutant("the variance without its covariance", KERNEL,
           "F(2) * covariance[b] * iq", "covariance[b] * iq", TWIN),
    Mutant("no light in the gain's variance", KERNEL,
           "gain_variance[b] * (iq * iq)", "gain_variance[b]", TWIN),
    Mutant("no data is beyond packing too", KERNEL,
           "(q_row[s] | NO_DATA) & ~BEYOND", "q_row[s] | NO_DATA", TWIN),
    Mutant("the line's dark against its change", KERNEL,
           "dark[s] + weight * dark_change[s]", "dark[s] - weight * dark_change[s]", TWIN),
    Mutant("an interpolated sample forgets saturation", KERNEL,
           "(q_row[left] | q_row[right]) & SATURATED", "q_row[left] & SATURATED", TWIN),
    Mutant("a value at the packing's end is not held", KERNEL,
           "packed >= -R_MAX and packed <= R_MAX", "packed > -R_MAX and packed < R_MAX", TWIN),
    Mutant("light of the first band for all", KERNEL,
           "lit = b if inverse_ratio.shape[0] > 1 else 0", "lit = 0", TWIN),
    Mutant("unwritten lines not told to the kernel", "pipeline/calibrate/cube.py",
           "lines.told_unwritten(never_written(counts, task.table.saturation_counts))", "lines",
           ("tests/flight/test_no_data.py",)),
    Mutant("unwritten lines in the scene", "pipeline/calibrate/scene_sample.py",
           "lines = looked if empty.all() else looked[~empty]", "lines = looked",
           ("tests/flight/test_no_data.py",)),
    Mutant("a falloff's uncertainty kept from the panels", "pipeline/calibrate/swath_response.py",
           "np.hypot(reading.uncertainty, reading.signal * relative)", "reading.uncertainty",
           ("tests/calibrate/test_swath_response.py",)),
    Mutant("an unseen falloff known for sure", "pipeline/calibrate/swath_response.py",
           "size = np.abs(response_of(shape.seen, bad.shape[1]) - 1.0)",
           "size = np.zeros(bad.shape[1])",
           ("tests/calibrate/test_swath_response.py",)),
    Mutant("the carried offset's error kept from the gain",
           "pipeline/radiometry/empirical_line.py",
           "((by_offset * carried_u) ** 2, carried_u**2, by_offset * carried_u**2)",
           "(0 * by_offset, carried_u**2, 0 * by_offset)", ("tests/radiometry/test_offset.py",)),
    # The product
    Mutant("packing's step", "pipeline/radiometry/packing.py",
           "REFLECTANCE = Packing(np.dtype(np.int16), step=1e-4",
           "REFLECTANCE = Packing(np.dtype(np.int16), step=2e-4",
           (*TWIN, "tests/write/test_schema.py", "tests/write/test_netcdf.py")),
    Mutant("the certificates' covariance for the scatter's", VARIABLES,
           '"scatter_covariance": fit.scatter_covariance',
           '"scatter_covariance": fit.certificate_covariance', (*REBUILT, *FORMULAS)),
    Mutant("a variance for an uncertainty", VARIABLES,
           "np.sqrt(fit.offset_variance)", "fit.offset_variance", REBUILT),
    Mutant("extrapolated light not told", VARIABLES,
           "times.flags | extrapolated.astype(np.uint8)", "times.flags", FORMULAS),
    Mutant("chunks of another band", "pipeline/write/netcdf.py",
           "self._lay_down(name, (band, start), values[band : band + shape[0]], shape)",
           "self._lay_down(name, (0, start), values[band : band + shape[0]], shape)",
           ("tests/write/test_netcdf.py", "tests/calibrate/test_kernel_and_file.py")),
    Mutant("a shard's index counts from another chunk", "pipeline/write/shards.py",
           'np.cumsum(sizes, dtype="<u8") - sizes', 'np.cumsum(sizes, dtype="<u8")',
           ("tests/write/test_zarr.py",)),
    Mutant("an absent shard is dark ground", "pipeline/write/zarr.py",
           "return 0 if fill is None else np.asarray(fill).item()", "return 0",
           ("tests/write/test_zarr.py",)),
    # Panels
    Mutant("saturation above its count in panels", READINGS,
           "np.asarray(counts >= saturation_counts)", "np.asarray(counts > saturation_counts)",
           PANELS),
    Mutant("the passes not brought to the panels' light", READINGS,
           "np.stack([readings[i].signal for i in rows]) / q[rows]",
           "np.stack([readings[i].signal for i in rows])", PANELS),
    Mutant("the light's uncertainty kept from the panels", READINGS,
           "np.hypot(errors, values * u_q[rows] / q[rows])", "errors", PANELS),
    Mutant("the coverage factor forgotten", "pipeline/radiometry/bands.py",
           "uncertainty=expanded / coverage_factor", "uncertainty=expanded",
           ("tests/radiometry/test_bands.py",)),
    Mutant("the trim that a small panel bears", "pipeline/radiometry/panels/core.py",
           "height * width >= CORE_PIXELS", "height * width > CORE_PIXELS", CORE),
    Mutant("the dark's part averaged over lines", "pipeline/radiometry/panels/core.py",
           "np.sqrt(variance + u_dark**2)", "np.sqrt(variance)", CORE),
    Mutant("the same window given twice is two passes", READINGS,
           "found.setdefault((panel.name, place.cube, lines, samples), window)",
           "found[len(found),] = window",
           ("tests/calibrate/test_panel_readings.py", "tests/flight/test_panel_faults.py")),
    # The fit
    Mutant("the sign of York's r", "pipeline/radiometry/york.py",
           "vy + b * b * vx - 2 * b * cxy", "vy + b * b * vx + 2 * b * cxy", YORK),
    Mutant("the intercept's variance about the wrong centre", "pipeline/radiometry/york.py",
           "1.0 / total + centre**2 * var_slope", "1.0 / total + x_bar**2 * var_slope", YORK),
    Mutant("covariance of slope and intercept", "pipeline/radiometry/york.py",
           "-centre * var_slope", "centre * var_slope", YORK),
    Mutant("correlated certificates taken as independent", "pipeline/radiometry/empirical_line.py",
           "    if together:\n", "    if not together:\n", LINE),
    Mutant("residuals weighed by the certificates alone", "pipeline/radiometry/empirical_line.py",
           "1.0 / (points.uy**2 + fit.slope**2 * points.ux**2)", "1.0 / points.uy**2", LINE),
    # Light
    Mutant("what the panels share with a line not taken off",
           "pipeline/radiometry/illumination/log.py",
           "level.variance / x**2 - 2 * of_panels / (x * reference)", "level.variance / x**2",
           LIGHT),
    Mutant("light beyond its curve known for sure", CURVE,
           "variance + added**2 + curve.unseen_wander * beyond", "variance", LIGHT),
    Mutant("light in a gap as steady as in the log", CURVE,
           "np.where(gap, curve.unseen_wander, curve.wander)", "curve.wander", LIGHT),
    # The dark
    Mutant("the dark before and after exchanged", "pipeline/calibrate/darks.py",
           "(after.mean - before.mean)", "(before.mean - after.mean)",
           (*DARK, *REBUILT, "tests/flight/test_drift.py")),
    Mutant("the weight from the wrong capture", "pipeline/calibrate/darks.py",
           "weight=(weight - middle[0])", "weight=(middle[0] - weight)",
           (*DARK, *REBUILT, "tests/flight/test_drift.py")),
    Mutant("outlying frames kept", "pipeline/calibrate/darks.py",
           "used = ~outlying[start : start + len(chunk)]",
           "used = ~outlying[start : start + len(chunk)] | True", DARK),
    # Checks
    Mutant("`panel-span` with the other limit", PANEL_CHECKS,
           "(value < fitted.low)[known]", "(value < fitted.high)[known]",
           ("tests/assess", "tests/flight/test_verdicts.py")),
    Mutant("`panel-span` without the light", PANEL_CHECKS,
           "fitted.gain, fitted.offset, _ratio_of_thin(scene, light)",
           "fitted.gain, fitted.offset, 1.0", ("tests/assess",)),
    Mutant("`panel-repeat` without the light", PANEL_CHECKS,
           "reading.signal / light.at_panels.ratio[..., i]", "reading.signal",
           ("tests/flight/test_light_followed.py",)),
    Mutant("check panels judged by their certificate alone", PANEL_CHECKS,
           "expanded = 2 * np.hypot(u, reference.uncertainty)", "expanded = 0 * u",
           ("tests/flight/test_panel_faults.py", "tests/flight/test_verdicts.py",
            "tests/assess")),
    Mutant("saturated fit panels by their best pass", "pipeline/assess/exposure_checks.py",
           "np.fmax(shares.get(r.panel, r.saturated_share), r.saturated_share)",
           "np.fmin(shares.get(r.panel, r.saturated_share), r.saturated_share)",
           ("tests/assess",)),
    Mutant("a limit from its count on", "pipeline/radiometry/limits/table.py",
           "return value >= limit", "return value > limit",
           ("tests/radiometry/test_limits.py", "tests/radiometry/test_checks_exposure.py")),
    # Run id, kept measurements, inputs
    Mutant("the kept key without the sensor", CACHE,
           '_LATER = ("quality", "output", "limits")',
           '_LATER = ("quality", "output", "limits", "sensor")', RERUN),
    Mutant("the kept key without the panels' places", CACHE,
           '{key: row[key] for key in ("name", "where")}', '{key: row[key] for key in ("name",)}',
           RERUN),
    Mutant("the kept key of found panels without certificates", CACHE,
           'if found or f.role != "certificate"', 'if f.role != "certificate"', RERUN),
    Mutant("the run id without the refused cubes", "pipeline/flight/run_folders.py",
           '"refused": sorted(inputs.refused)', '"refused": []',
           ("tests/flight/test_run_folders.py", "tests/flight/test_already_done.py",
            "tests/flight/test_bad_input.py")),
    Mutant("the run id without its inputs", "pipeline/flight/run_folders.py",
           "inputs if file.sha256}", "() if file.sha256}",
           ("tests/flight/test_run_folders.py", "tests/flight/test_inputs_change.py")),
    Mutant("a line-times table that is no input", INPUTS,
           "if table is not None:", "if table is not None and cube:", MANIFEST),
    Mutant("a lost cube's changed files kept", INPUTS,
           "(f.sha256 and not f.changed())", "f.sha256",
           ("tests/calibrate/test_input_manifest.py", "tests/flight/test_inputs_change.py")),
    Mutant("the second look is content", INPUTS,
           'what = "changed" if stamp_of(path) != stamp else ""',
           'what = "" if stamp_of(path) else ""', MANIFEST),
    Mutant("a stamp of times that can be set back", "pipeline/read/stamp.py",
           "seen.st_ino, seen.st_ctime_ns", "seen.st_ino, seen.st_mtime_ns", MANIFEST),
    # Readers
    Mutant("a zone the other way", "pipeline/read/times.py",
           ".total_seconds() - zone_s", ".total_seconds() + zone_s", WORDS),
    Mutant("a clock's offset left out of numbers", "pipeline/read/cells.py",
           "seconds_of(number(cell), words.time) + words.offset_s",
           "seconds_of(number(cell), words.time)", WORDS),
    Mutant("ground added to heights", "pipeline/read/tables.py",
           "values - written.ground_m", "values + written.ground_m", WORDS),
    Mutant("percents of uncertainty", "pipeline/read/certificate.py",
           "reflectance * scale, uncertainty * scale", "reflectance * scale, uncertainty", WORDS),
    Mutant("a rate taken for a period", "pipeline/read/settings.py",
           "return 1e3 / value if value else math.inf", "return value",
           ("tests/read/test_own_words.py", "tests/read/test_headers.py")),
    Mutant("kelvin taken for degrees", "pipeline/read/settings.py",
           "return value - 273.15", "return value",
           ("tests/read/test_own_words.py", "tests/read/test_headers.py")),
    Mutant("a netCDF upside down", "pipeline/read/raster.py",
           '"GDAL_NETCDF_BOTTOMUP": "NO"', '"GDAL_NETCDF_BOTTOMUP": "YES"', RASTER),
    Mutant("frames turned", "pipeline/read/frames.py",
           "(frame if stored.rows_are_bands else frame.T)",
           "(frame.T if stored.rows_are_bands else frame)", RASTER),
    Mutant("frames in the order of their letters", "pipeline/read/frames.py",
           "return in_order(found)", "return sorted(found)", RASTER),
    Mutant("counts that float32 cannot hold", "pipeline/read/reader.py",
           "EXACT_UP_TO = 1 << 24", "EXACT_UP_TO = 1 << 25",
           ("tests/read", "tests/flight/test_other_forms.py")),
    # The recorder
    Mutant("a dark's repeated frames pass", "pipeline/calibrate/darks.py",
           "repeated += int(repeated_lines(chunk).sum())", "repeated += 0",
           ("tests/flight/test_recorder_faults.py",)),
    Mutant("a run does not see repeated lines", "pipeline/calibrate/cube.py",
           "again = int(repeated_lines(counts).sum())", "again = 0",
           ("tests/flight/test_recorder_faults.py",)),
    Mutant("panels are not asked for piles", "pipeline/assess/exposure_checks.py",
           " | dict(measured.panel_piles)", "",
           ("tests/flight/test_recorder_faults.py",)),
    Mutant("a flat's speck is divided by", "pipeline/radiometry/flat.py",
           "(dark | unlike | (", "(dark | (",
           ("tests/radiometry/test_recorder.py",)),
    # The page
    Mutant("light that was supposed is not drawn", "pipeline/write/page/doubts.py",
           "none if light is None else light, empty)", "none, empty)",
           ("tests/write/test_page_doubts.py",)),
    # The response of the scene
    Mutant("bright ground is a falloff", "pipeline/radiometry/response.py",
           "design = np.column_stack([np.concatenate(place)[good], of_strip, ground])",
           "design = np.column_stack([np.concatenate(place)[good], of_strip, ground[:, :1] ** 0])",
           ("tests/radiometry/test_response.py",)),
    Mutant("grey targets weigh as much as grass", "pipeline/radiometry/response.py",
           "/ sigma**2", "", ("tests/flight/test_truth.py", "tests/radiometry/test_response.py")),
    Mutant("saturated pixels are ground", "pipeline/calibrate/scene_sample.py",
           "(counts[0][:, columns] < saturation_counts).all(axis=0)", "True",
           ("tests/calibrate/test_scene_sample.py",)),
    # Panels and their advice
    Mutant("a falloff is taken for the light", "pipeline/assess/panel_checks.py",
           'response_known=config.response != "none",', "response_known=True,",
           ("tests/flight/test_falloff.py",)),
    Mutant("fewer certificates in a band pass", "pipeline/radiometry/checks/certificates.py",
           "fewer = ~bare & (panels < panels.max())", "fewer = ~bare & (panels < 0)",
           ("tests/radiometry/test_checks_fit.py",)),
    # Light in the darks
    Mutant("a dark's parts are not looked at", "pipeline/radiometry/checks/light_leak.py",
           "return [None, *((int(a), int(b)) for a, b in pairwise(edges))]", "return [None]",
           ("tests/radiometry/test_checks_dark.py",)),
    Mutant("a lit dark is told to warm up", "pipeline/assess/detector_checks.py",
           'lit=leak.subject if leak.verdict in ("caution", "fail") else "",', 'lit="",',
           ("tests/flight/test_half_capped.py",)),
    # The wavelengths
    Mutant("a smile is sought after the flat divided it out", "pipeline/assess/spectrum_checks.py",
           " * detector.flat.response", "", ("tests/flight/test_spectrum_shift.py",)),
    # Light that was supposed
    Mutant("constant light is certain under a moving sun",
           "pipeline/radiometry/illumination/clear_sky.py",
           "uncertainty=change)", "uncertainty=0 * change)",
           ("tests/radiometry/illumination/test_clear_sky.py",)),
    Mutant("a place without its sun", "pipeline/calibrate/light.py",
           "if place is None or not np.isfinite(panel_s).any():", "if True:",
           ("tests/flight/test_light_followed.py",)),
    # Finished runs
    Mutant("a record of wrong types is read", "pipeline/write/run_record.py",
           "if text != PurePosixPath(text).name or not is_inside(text):",
           "if text != PurePosixPath(text).name:",
           ("tests/write/test_run_record.py",)),
    Mutant("a name that leads out", "pipeline/write/checksums.py",
           ' and ".." not in parts', "",
           ("tests/write/test_run_record.py", "tests/inspect/test_verify.py",
            "tests/write/test_publish.py")),
    # The sweep's ledger
    Mutant("a success does not end the count of tries", LEDGER,
           'failed = 0 if outcome == "done" else failed + (outcome in COUNTED)',
           "failed = failed + (outcome in COUNTED)", SWEEP),
    Mutant("a killed try does not count", LEDGER,
           'COUNTED = ("failed", "killed")', 'COUNTED = ("failed",)', SWEEP),
    Mutant("a clock set back is stillness", LEDGER,
           "if elapsed_s >= 0:", "if True:", SWEEP),
    Mutant("a flight that changed is as still as before", LEDGER,
           "if row is not None and row[0] == files:", "if row is not None:", SWEEP),
)  # fmt: skip
