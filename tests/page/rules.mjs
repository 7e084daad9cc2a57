// The two rule books: html-validate for the markup, axe-core for people who do not see, hear or
// point as most do.

import { readFileSync } from 'node:fs'
import { createRequire } from 'node:module'
import { HtmlValidate } from 'html-validate'

const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8')

const validator = new HtmlValidate({
  root: true,
  extends: ['html-validate:standard', 'html-validate:document'],
  rules: {
    // The page is one line without line ends: taste, not correctness.
    'long-title': 'off',
    // Numbers and units are typeset with their own blanks already.
    'no-trailing-whitespace': 'off'
  }
})

/** Faults of the markup, one line each. */
export async function validate(path) {
  const report = await validator.validateString(readFileSync(path, 'utf8'), path)
  const messages = report.results.flatMap((result) => result.messages)
  const lines = messages.map((m) => `html: ${m.ruleId}: ${m.message}${m.selector ? ` at ${m.selector.slice(-80)}` : ''}`)
  return [...new Set(lines)].slice(0, 20)
}

/** WCAG 2.2 A and AA and the checker's own good practice, in light and dark, on desk and phone. */
export async function accessibility(browser, path) {
  const faults = new Set()
  for (const [width, colorScheme] of [[1024, 'light'], [320, 'dark']]) {
    // The page forbids script; the checker is one, so it alone is let past.
    const context = await browser.newContext({ bypassCSP: true, viewport: { width, height: 900 }, colorScheme })
    const page = await context.newPage()
    await page.goto(`file://${path}`)
    await page.evaluate(axe)
    const result = await page.evaluate(() =>
      globalThis.axe.run(document, {
        resultTypes: ['violations'],
        runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa', 'best-practice']
      })
    )
    for (const rule of result.violations) {
      for (const node of rule.nodes.slice(0, 3)) {
        const why = node.any.concat(node.all, node.none)[0]?.message ?? rule.help
        faults.add(`axe: ${rule.id} at ${node.target.join(' ').slice(0, 90)} (${colorScheme}): ${why}`)
      }
    }
    if (result.passes.length === 0) faults.add('axe: nothing was checked')
    await context.close()
  }
  return [...faults]
}
