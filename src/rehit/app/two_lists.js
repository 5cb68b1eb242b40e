// Two lists between which things are moved: dragged, or by the button each has.
export function render({model}) {
  const root = document.createElement('div')
  root.className = 'lists'
  const told = document.createElement('p')
  told.className = 'small'
  told.setAttribute('role', 'status')
  const sides = ['inside', 'outside']

  const move = (id, from) => {
    const to = from === 'inside' ? 'outside' : 'inside'
    const thing = model[from].find(each => each.id === id)
    if (!thing) return
    model[from] = model[from].filter(each => each.id !== id)
    model[to] = [...model[to], {...thing, moved: !thing.moved}]
    draw()
    const button = root.querySelector(`[data-id="${CSS.escape(id)}"] button`)
    told.textContent = thing.name + ': ' + (to === 'inside' ? model.texts.inside : model.texts.outside)
    if (button) button.focus()
  }

  const row = (thing, side) => {
    const item = document.createElement('li')
    item.draggable = true
    item.dataset.id = thing.id
    if (thing.moved) item.className = 'moved'
    const name = document.createElement('span')
    name.textContent = thing.name
    const button = document.createElement('button')
    button.type = 'button'
    button.textContent = side === 'inside' ? model.texts.out : model.texts.come
    button.setAttribute('aria-label', button.textContent + ': ' + thing.name)
    button.onclick = () => move(thing.id, side)
    item.ondragstart = event => event.dataTransfer.setData('text/plain', JSON.stringify([side, thing.id]))
    item.append(name, button)
    return item
  }

  const box = side => {
    const part = document.createElement('section')
    const head = document.createElement('h4')
    head.textContent = model.texts[side]
    const list = document.createElement('ol')
    list.append(...model[side].map(thing => row(thing, side)))
    part.ondragover = event => event.preventDefault()
    part.ondrop = event => {
      event.preventDefault()
      try {
        const [from, id] = JSON.parse(event.dataTransfer.getData('text/plain'))
        if (from !== side && sides.includes(from)) move(id, from)
      } catch { /* something else was dropped */ }
    }
    part.append(head, list)
    return part
  }

  const draw = () => root.replaceChildren(...sides.map(box), told)
  draw()
  return root
}
