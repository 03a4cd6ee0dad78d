"""The Typst source of every page: it only sets what the data hands it, and reads no file, font or package.

All words come as JSON strings, so nothing a title holds is ever read as Typst. Lengths in the data are millimetres,
sizes of words points.
"""

from __future__ import annotations

TEMPLATE = r"""
#let data = json(bytes(sys.inputs.data))
#let paper = data.paper

#set document(title: data.title, author: data.author, description: data.description, date: auto)
#set page(
  width: paper.width * 1mm,
  height: paper.height * 1mm,
  margin: (x: paper.margin * 1mm, top: paper.margin * 1mm, bottom: paper.bottom * 1mm),
  footer-descent: 30%,
  footer: context {
    let number = counter(page).get().first()
    let last = counter(page).final().first()
    let shown = data.footer == "always" and not (data.cover != none and number == 1)
    if shown or (data.footer == "many" and last > 1) {
      set text(0.85em)
      grid(columns: (1fr, auto, 1fr), [], align(center, str(number)), align(right, emph(data.running)))
    }
  },
)
#set text(font: "Libertinus Serif", size: paper.text * 1pt, lang: "en", hyphenate: false)
#set par(spacing: 0pt, leading: 0.55em)
#set block(spacing: 0pt)

#let picture(name, ..how) = image(bytes(sys.inputs.at(name)), format: "svg", ..how)
#let sign(it) = box(baseline: 8%, picture(it.image, height: 0.9em, alt: it.alt))
#let words(pieces) = pieces.map(it => if type(it) == str { text(it) } else { sign(it) }).join()

#show heading: it => text(weight: "regular", size: 1em, it.body)
#let title-line(size, level, it) = align(center, text(size, heading(level: level, it)))

#let tune-heading(tune, level) = block(width: 100%, below: 0.9em, sticky: true, {
  if tune.label != none [#metadata(none) #label(tune.label)]
  grid(
    columns: if tune.left == "" and tune.right == "" { (0pt, 1fr, 0pt) } else { (5.6em, 1fr, 5.6em) },
    align: (left + bottom, center + bottom, right + bottom),
    tune.left, title-line(data.title_em * 1em, level, tune.title), tune.right,
  )
  v(0.55em)
  grid(
    columns: (1fr, auto, 1fr),
    column-gutter: 0.8em,
    align: (left + bottom, center + bottom, right + bottom),
    emph(tune.kind), words(tune.tempo), tune.composer,
  )
})

#let music(part) = for line in part.lines {
  block(above: line.gap * 1mm, picture(line.image, width: 100%, alt: line.alt))
}

#let remark(pieces) = if pieces.len() > 0 {
  block(width: 100%, above: 0.9em, below: 1.1em, sticky: true, {
    set text(0.95em)
    grid(
      columns: (1fr, auto, 1fr),
      column-gutter: 0.8em,
      align: horizon,
      line(length: 100%, stroke: 0.3pt), align(center, words(pieces)), line(length: 100%, stroke: 0.3pt),
    )
  })
}

#if data.cover != none {
  v(1fr)
  align(center, {
    text(2.6em, data.title)
    for it in data.cover { v(1em); text(1.15em, it) }
  })
  v(2fr)
  pagebreak()
}

#if data.contents != none {
  title-line(1.6em, 1, data.contents)
  v(1.4em)
  for tune in data.tunes {
    block(width: 100%, below: 0.65em, link(label(tune.label), {
      text(tune.title)
      if tune.kind != "" { h(0.6em); text(0.85em, emph(tune.kind)) }
      box(width: 1fr, inset: (x: 0.4em), repeat(gap: 0.25em, text(0.8em, ".")))
      context str(counter(page).at(label(tune.label)).first())
    }))
  }
  pagebreak()
}

#if data.head != none {
  block(width: 100%, below: 1.2em, {
    title-line(data.head_em * 1em, 1, data.head.title)
    v(0.4em)
    for it in data.head.lines { v(0.6em); align(center, words(it)) }
  })
}

#let level = if data.head != none { 2 } else { 1 }
#for (index, tune) in data.tunes.enumerate() {
  if index > 0 and data.head == none {
    if tune.whole { v(paper.between * 1mm, weak: true) } else { pagebreak(weak: true) }
  }
  remark(tune.before)
  block(width: 100%, breakable: not tune.whole, {
    let (first, ..others) = tune.parts
    block(width: 100%, breakable: not first.fits, {
      tune-heading(tune, level)
      music(first)
    })
    for part in others {
      block(width: 100%, above: part.gap * 1mm, breakable: not part.fits, music(part))
    }
  })
}
#remark(data.after)
"""
