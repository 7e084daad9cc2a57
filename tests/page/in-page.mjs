// Functions that run inside the page. They may use nothing from outside themselves.

/** Elements with their attribute names, as `tag[a,b]`, each once. */
export function structure() {
  const shape = (e) => `${e.localName}[${[...e.attributes].map((a) => a.name).sort()}]`
  return [...new Set([...document.querySelectorAll('*')].map(shape))]
}

/** Every address that an attribute holds. */
export function addresses() {
  const holders = ['href', 'src', 'action', 'data', 'poster', 'srcset', 'xlink:href', 'formaction']
  return [...document.querySelectorAll('*')].flatMap((e) =>
    holders.filter((name) => e.hasAttribute(name)).map((name) => e.getAttribute(name))
  )
}

/** What spills, is cut, or stands on top of something else. */
export function layout() {
  const faults = []
  const width = document.documentElement.clientWidth
  const wide = document.documentElement.scrollWidth
  if (wide > width) faults.push(`scrolls sideways: ${wide} px`)
  const words = (e) => e.textContent.trim().slice(0, 40)
  const hidden = (e) => e.closest('.vh, .defs, details:not([open]) > :not(summary)')
  const seen = (r) => r.width > 0 && r.height > 0

  // Every run of text lies within the page, and within whatever cuts it.
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT)
  const range = document.createRange()
  while (walker.nextNode()) {
    const text = walker.currentNode
    const parent = text.parentElement
    if (!text.data.trim() || hidden(parent)) continue
    range.selectNodeContents(text)
    for (const r of range.getClientRects()) {
      if (!seen(r)) continue
      if (r.left < -0.5 || r.right > width + 0.5) {
        faults.push(`text beyond the edge (${r.left.toFixed(0)} to ${r.right.toFixed(0)}): ${words(parent)}`)
        break
      }
    }
  }
  for (const e of document.querySelectorAll('body *')) {
    if (e instanceof SVGElement || hidden(e)) continue
    const style = getComputedStyle(e)
    if (style.overflowX !== 'visible' && e.scrollWidth > e.clientWidth + 1) faults.push(`cut: ${words(e)}`)
    if (style.overflowY === 'hidden' && e.scrollHeight > e.clientHeight + 1) faults.push(`cut below: ${words(e)}`)
  }

  // Labels of one axis do not touch each other, nor stick out of their picture by more than an
  // ascender.
  for (const svg of document.querySelectorAll('.row > svg')) {
    const frame = svg.getBoundingClientRect()
    const labels = [...svg.querySelectorAll(':scope > text')]
      .map((e) => ({ e, r: e.getBoundingClientRect() }))
      .filter(({ r }) => seen(r))
    for (const { e, r } of labels) {
      if (r.top < frame.top - 6 || r.bottom > frame.bottom + 6 || r.left < frame.left - 8 || r.right > frame.right + 12) {
        faults.push(`label outside its picture: ${words(e)}`)
      }
    }
    for (let i = 0; i < labels.length; i++) {
      for (let j = i + 1; j < labels.length; j++) {
        const [a, b] = [labels[i].r, labels[j].r]
        const across = Math.min(a.right, b.right) - Math.max(a.left, b.left)
        const down = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top)
        if (across > 1 && down > 3) faults.push(`labels touch: ${words(labels[i].e)} and ${words(labels[j].e)}`)
      }
    }
  }
  return [...new Set(faults)].slice(0, 12)
}

/** Colours that are not grey: paper is black and white, and shapes carry the meaning. */
export function printColours() {
  const faults = new Set()
  for (const e of document.querySelectorAll('body, body *')) {
    const style = getComputedStyle(e)
    for (const name of ['color', 'fill', 'stroke', 'backgroundColor', 'borderLeftColor']) {
      const [r, g, b, a = 1] = (style[name].match(/[\d.]+/g) ?? []).map(Number)
      if (r === undefined || a === 0) continue
      if (Math.max(r, g, b) - Math.min(r, g, b) > 8) faults.add(`${name} ${style[name]} of ${e.localName}.${e.getAttribute('class') ?? ''}`)
    }
  }
  return [...faults].slice(0, 12)
}

/** What paper loses of the lists: a row without its name, a long table whose heading does not come
 *  again on the next side, an entry whose sentence stands nowhere. */
export function cutOnPaper() {
  const faults = []
  const shown = (e) => e && e.getClientRects().length > 0
  for (const table of document.querySelectorAll('table.list')) {
    const head = table.tHead
    if (getComputedStyle(head).display !== 'table-header-group') faults.push('a list without its heading')
    for (const body of table.tBodies) {
      const name = body.querySelector('b')?.textContent.trim()
      if (!shown(body)) faults.push(`no row of ${name}`)
      const own = body.querySelector('b a')
      const section = own && document.querySelector(own.getAttribute('href'))
      if (!shown(body.querySelector('.why')) && !section) faults.push(`no sentence of ${name}`)
    }
  }
  return faults.slice(0, 12)
}
