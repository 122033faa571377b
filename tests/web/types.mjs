// SPDX-License-Identifier: GPL-3.0-or-later
// The page's types, as its comments give them, and its list of built-in files. Prints TAP.
import { spawnSync } from 'node:child_process';
import { readFileSync, readdirSync } from 'node:fs';
import { dirname, join } from 'node:path';
import { fileURLToPath } from 'node:url';

const web = join(dirname(fileURLToPath(import.meta.url)), '../../web');
const checked = spawnSync(process.execPath, [join(web, 'node_modules/typescript/bin/tsc'), '-p', join(web, 'jsconfig.json')], { encoding: 'utf8' });
console.log(`${checked.status === 0 ? 'ok' : 'not ok'} 1 types`);
if (checked.status !== 0) console.log((checked.stdout + checked.stderr).replace(/^/gm, '#   '));

const listed = [...readFileSync(join(web, 'page.gresource.xml'), 'utf8').matchAll(/<file>([^<]+)<\/file>/g)].map((m) => m[1]).sort();
const found = ['css', 'js'].flatMap((folder) => readdirSync(join(web, folder), { recursive: true }).filter((f) => /\.(css|js)$/.test(f)).map((f) => `${folder}/${f}`)).concat(readdirSync(web).filter((f) => /\.(html|svg)$/.test(f))).sort();
const same = JSON.stringify(listed) === JSON.stringify(found);
console.log(`${same ? 'ok' : 'not ok'} 2 every file of the page is built in`);
if (!same) console.log(`#   listed ${listed}\n#   found  ${found}`);
console.log('1..2');
process.exit(checked.status === 0 && same ? 0 : 1);
