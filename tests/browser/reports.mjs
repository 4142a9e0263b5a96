// The reports under test: folders named in PSDSTATS_REPORTS, each holding a report.html.

import { existsSync } from "node:fs";
import { basename, delimiter, join, resolve } from "node:path";
import { pathToFileURL } from "node:url";

export function reports() {
  const folders = (process.env.PSDSTATS_REPORTS ?? "").split(delimiter).filter(Boolean);
  if (folders.length === 0) throw new Error("name the report folders in PSDSTATS_REPORTS");
  return folders.map((folder) => {
    const file = resolve(join(folder, "report.html"));
    if (!existsSync(file)) throw new Error(`${file} does not exist`);
    return { name: basename(resolve(folder)), file, url: pathToFileURL(file).href };
  });
}
