// What a record lacks for an analysis, and what would make its numbers better.

/**
 * What is still needed, and what would help, in sentences.
 * @param {object} raw the record
 * @returns {{needed: string[], better: string[]}}
 */
export function missingEntries(raw) {
  const needed = [],
    better = [];
  const cameras = Object.entries(raw.cameras ?? {}),
    vehicles = Object.entries(raw.vehicles ?? {});
  if (!cameras.length && !(raw.accelerometers ?? []).length) needed.push("A camera with its film, or accelerometers.");
  if (!vehicles.length) needed.push("A vehicle.");
  for (const [name, camera] of cameras) ofCamera(name, camera, needed, better);
  for (const [name, vehicle] of vehicles) ofVehicle(name, vehicle, cameras.length > 0, needed, better);
  if (!raw.test?.intended?.speed) 
    better.push("The test's intended speed and angle: without them conditions are not judged.");
  if (!raw.test?.criteria || raw.test.criteria === "none") better.push("A criteria set: without it nothing is judged.");
  return { needed, better };
}

function ofCamera(name, camera, needed, better) {
  const surveyed = Object.values(camera.survey ?? {}).filter((t) => t.at).length,
    bars = (camera.scale ?? []).length,
    fewest = camera.lens ? 3 : 4;
  if (!camera.film) needed.push(`Camera ${name}: its film.`);
  if (!bars && surveyed < fewest)
    needed.push(`Camera ${name}: ${fewest - surveyed} more surveyed fixed targets (better 6 in all), or a scale bar.`);
  else if (!bars && surveyed < 6)
    better.push(`Camera ${name}: 6 or more surveyed fixed targets; there are ${surveyed}.`);
  if (!camera.lens) better.push(`Camera ${name}: a calibrated lens; without one it is solved from the survey.`);
  if (!camera.frame_rate)
    better.push(`Camera ${name}: the frame rate while filming; a film's own is often that of playing.`);
  if (!camera.exposure) better.push(`Camera ${name}: the exposure.`);
}

function ofVehicle(name, vehicle, filmed, needed, better) {
  const marks = Object.values(vehicle.markers ?? {}).filter((m) => m.at).length;
  if (filmed && !marks) needed.push(`Vehicle ${name}: surveyed markers (4 or more a camera are better).`);
  if (!vehicle.mass) better.push(`Vehicle ${name}: its mass; energy, momentum and force need it.`);
  if (!vehicle.cg) better.push(`Vehicle ${name}: its centre of gravity; the origin of its axes is taken for it.`);
}
