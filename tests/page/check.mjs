// What a browser, an HTML validator and an accessibility checker say about the report.
//
//   node check.mjs SPECIMENS [REPORT.html ...]
//
// SPECIMENS is the folder that the test `specimens` of the report room fills. Further reports are
// held to the same rules. Pictures and the paper version of each page are left beside it.
// Exit code 1 when any rule is broken; each broken rule is one line.

import { mkdirSync, readFileSync, writeFileSync } from 'node:fs'
import { basename, join, resolve } from 'node:path'
import { chromium } from 'playwright-core'
import { addresses, cutOnPaper, layout, printColours, structure } from './in-page.mjs'
import { accessibility, validate } from './rules.mjs'

/** Phone, desk, wall: the widths at which a page is looked at, CSS pixels. */
const WIDTHS = [320, 1024, 1920]
/** A report of 300 meters is meant to open within this, milliseconds: told, as a busy machine
 *  proves nothing. */
const OPENING_MS = 1000
/** What no busy machine explains any more, milliseconds. */
const STUCK_MS = 15000
/** Sides of A4 that the fleet part may take: two with as many rows in its lists as a usual night
 *  has, one more for each further sixty. No row may be missing for it. */
const FLEET_SIDES = 2
const USUAL_ROWS = 40
const ROWS_A_SIDE = 60
/** Sides of A4 that one meter may take. */
const METER_SIDES = 2

const [specimens, ...reports] = process.argv.slice(2).map((path) => resolve(path))
const pictures = join(specimens, 'pictures')
mkdirSync(pictures, { recursive: true })

const broken = []
const tell = (page, what) => broken.push(`${basename(page)}: ${what}`)

const browser = await chromium.launch({
  executablePath: process.env.CHROMIUM ?? '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu']
})

/** Opens a page as readers do: script off. Any request but the page itself is a broken rule. */
async function open(path, width, settings = {}) {
  const context = await browser.newContext({
    javaScriptEnabled: false,
    viewport: { width, height: 900 },
    ...settings
  })
  const page = await context.newPage()
  const address = `file://${path}`
  page.on('request', (request) => {
    if (request.url().split('#')[0] !== address) tell(path, `asks for ${request.url()}`)
  })
  page.on('pageerror', (error) => tell(path, `error in the page: ${error}`))
  page.on('console', (message) => message.type() === 'error' && tell(path, message.text()))
  await page.goto(address)
  return page
}

async function looks(path) {
  for (const width of WIDTHS) {
    for (const colorScheme of ['light', 'dark']) {
      const page = await open(path, width, { colorScheme })
      for (const fault of await page.evaluate(layout)) tell(path, `at ${width} px: ${fault}`)
      const name = `${basename(path, '.html')}-${width}-${colorScheme}.png`
      await page.screenshot({ path: join(pictures, name) })
      await page.context().close()
    }
  }
}

/** Pages of a PDF as Chromium writes it: page objects are not compressed. */
const sides = (pdf) => pdf.toString('latin1').match(/\/Type\s*\/Page\b/g)?.length ?? 0

async function paper(path) {
  const page = await open(path, 1024)
  await page.emulateMedia({ media: 'print' })
  for (const fault of await page.evaluate(printColours)) tell(path, `on paper: ${fault}`)
  const whole = await page.pdf({ format: 'A4' })
  writeFileSync(join(pictures, `${basename(path, '.html')}.pdf`), whole)
  const meters = await page.locator('.meter').count()
  const rows = await page.locator('.list tbody').count()
  const fleetSides = FLEET_SIDES + Math.ceil(Math.max(0, rows - USUAL_ROWS) / ROWS_A_SIDE)
  const most = fleetSides + METER_SIDES * meters + 1
  for (const fault of await page.evaluate(cutOnPaper)) tell(path, `on paper: ${fault}`)
  if (sides(whole) > most) tell(path, `${sides(whole)} sides for ${meters} meters, at most ${most}`)
  if (await page.locator('#lists').count()) {
    await page.evaluate(() => {
      for (const e of document.querySelectorAll('.meter, footer')) e.remove()
    })
    const fleet = sides(await page.pdf({ format: 'A4' }))
    if (fleet > fleetSides) tell(path, `the fleet part takes ${fleet} sides of paper for ${rows} rows`)
    console.log(`${basename(path)}: fleet part on ${fleet} sides, ${rows} rows`)
  }
  console.log(`${basename(path)}: ${sides(whole)} sides of paper, ${meters} meters`)
  await page.context().close()
}

async function opening(path) {
  const times = []
  for (let turn = 0; turn < 3; turn++) {
    const page = await open(path, 1280)
    const timing = await page.evaluate(() => {
      const [navigation] = performance.getEntriesByType('navigation')
      const paint = performance.getEntriesByName('first-contentful-paint')[0]
      return { load: navigation.loadEventEnd, paint: paint?.startTime ?? 0 }
    })
    times.push(Math.max(timing.load, timing.paint))
    await page.context().close()
  }
  const best = Math.min(...times)
  console.log(`${basename(path)}: open after ${times.map((t) => t.toFixed(0)).join(', ')} ms`)
  if (best > OPENING_MS) console.log(`${basename(path)}: meant to open within ${OPENING_MS} ms`)
  if (best > STUCK_MS) tell(path, `opens after ${best.toFixed(0)} ms`)
}

/** The hostile page has the elements, attributes and addresses of the harmless one. */
async function hostile() {
  const [hostilePath, harmlessPath] = ['hostile.html', 'harmless.html'].map((n) => join(specimens, n))
  const shapes = []
  for (const path of [hostilePath, harmlessPath]) {
    const page = await open(path, 1024)
    shapes.push(new Set(await page.evaluate(structure)))
    for (const address of await page.evaluate(addresses)) {
      if (!/^#[a-z0-9_]+$/i.test(address)) tell(path, `address ${address}`)
    }
    await page.context().close()
  }
  for (const shape of shapes[0]) if (!shapes[1].has(shape)) tell(hostilePath, `a text made ${shape}`)
  if (shapes[0].size < 20) tell(hostilePath, 'the page has hardly any structure: was it read?')
}

/** A page that breaks each rule must be seen to break it: else the rules prove nothing. */
async function rulesCanFail() {
  const path = join(pictures, 'broken.html')
  writeFileSync(path, BROKEN)
  const before = broken.length
  const page = await open(path, 320)
  await page.waitForTimeout(200)
  const seen = {
    request: broken.splice(before),
    layout: await page.evaluate(layout),
    colours: await page.evaluate(printColours),
    paper: await cutOnPaperOf(page),
    addresses: (await page.evaluate(addresses)).filter((a) => !a.startsWith('#')),
    structure: (await page.evaluate(structure)).filter((shape) => shape.includes('onclick')),
    html: await validate(path),
    axe: await accessibility(browser, path)
  }
  await page.context().close()
  for (const [rule, faults] of Object.entries(seen)) {
    if (faults.length === 0) tell(path, `the rule \`${rule}\` sees nothing wrong with a broken page`)
  }
  for (const part of ['beyond the edge', 'labels touch', 'cut']) {
    if (!seen.layout.some((fault) => fault.includes(part))) tell(path, `layout does not see \`${part}\``)
  }
}

async function cutOnPaperOf(page) {
  await page.emulateMedia({ media: 'print' })
  const faults = await page.evaluate(cutOnPaper)
  await page.emulateMedia({ media: null })
  return faults
}

const BROKEN = `<!DOCTYPE html><html><head><title></title></head><body>
<p style="color:#c00;width:900px">wide and red words that go on and on, far beyond the edge of a phone</p>
<p style="width:40px;overflow:hidden;white-space:nowrap">words that are cut</p>
<p style="color:#ddd;background:#fff">faint</p>
<style>@media print{.np{display:none}}</style>
<table class="list"><thead style="display:none"><tr><th>meter</th></tr></thead><tbody class="np"><tr><td><b>FT-1</b></td></tr></tbody></table>
<img src="https://metersift.invalid/x.png"><h3 onclick="x()">deep</h3><table><tr><th></th></tr></table>
<div class="row"><svg width="200" height="20"><text x="0" y="12">2025-01</text><text x="20" y="12">2025-02</text></svg></div>
</body></html>`

const started = Date.now()
await rulesCanFail()
const pages = ['night.html', 'one-meter.html'].map((name) => join(specimens, name)).concat(reports)
const threeHundred = join(specimens, 'three-hundred.html')
if (readFileSync(threeHundred).length < 1e6) tell(threeHundred, 'is no report of 300 meters')
await opening(threeHundred)
for (const path of pages) {
  for (const fault of await validate(path)) tell(path, fault)
  await looks(path)
  await paper(path)
  for (const fault of await accessibility(browser, path)) tell(path, fault)
}
for (const fault of await validate(join(specimens, 'hostile.html'))) tell('hostile.html', fault)
await hostile()
await browser.close()

console.log(`${pages.length + 3} pages looked at in ${((Date.now() - started) / 1000).toFixed(0)} s`)
for (const line of new Set(broken)) console.log(`broken: ${line}`)
process.exitCode = broken.length ? 1 : 0
