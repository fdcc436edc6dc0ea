'use strict';
(() => {
  document.documentElement.classList.add('js');
  const data = JSON.parse(document.getElementById('data').textContent);
  const report = data.report;
  const $ = (id) => document.getElementById(id);
  const all = (selector, from = document) => [...from.querySelectorAll(selector)];
  const SVG = 'http://www.w3.org/2000/svg';
  const MM = 1000; // world units are micrometres
  const CLOSEST = 5 * MM; // least width shown when flying to a finding
  const SMALLEST = 0.05 * MM; // least width of the view

  const make = (name, attributes = {}, ...children) => {
    const node = document.createElement(name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    node.append(...children);
    return node;
  };
  const draw = (name, attributes = {}, words = '') => {
    const node = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    node.textContent = words;
    return node;
  };
  const plain = (value, places = 3) => String(Number(value.toFixed(places)));
  const count = (number, noun) => `${number} ${noun}${number === 1 ? '' : 's'}`;

  // ------------------------------------------------------------------------------------------ findings, place by place
  const findings = report.findings.map((f) => ({ ...f, ...data.callouts[f.id], measurement: data.figures[f.id] }));
  const byId = new Map(findings.map((f) => [f.id, f]));
  const groups = data.groups.map((g, index) => ({ id: g.id, number: index + 1, members: g.members.map((id) => byId.get(id)) }));
  const groupOf = new Map(groups.flatMap((g) => g.members.map((f) => [f.id, g])));
  for (const f of findings) {
    f.words = [f.id, f.rule, f.message, ...f.layers, f.hint ?? '', ...f.nets, ...f.components, ...f.regions].join(' ').toLowerCase();
  }
  const entries = new Map(all('#list > li').map((item) => [item.dataset.group, item]));
  const look = (f) => (f.waived ? 'waived' : f.level);
  const shownMembers = (g) => g.members.filter((f) => !f.filtered && isShown(f));
  let chosen = null; // { group, finding }

  // ------------------------------------------------------------------------------------------------------- the view
  const board = $('board');
  const view = { x: 0, y: 0, w: 1 }; // left, top (y down), width
  const [bx0, by0, bx1, by1] = data.bounds.map((v) => v * MM);
  const STEPS = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200];
  let flight = 0;
  let whole = true; // the view follows the window until somebody moves it
  const size = () => {
    const box = board.getBoundingClientRect();
    return { wide: Math.max(box.width, 1), high: Math.max(box.height, 1), left: box.left, top: box.top };
  };
  const grain = () => view.w / size().wide; // micrometres per pixel

  const show = () => {
    const { wide, high } = size();
    const k = view.w / wide;
    board.setAttribute('viewBox', `${view.x} ${view.y} ${view.w} ${k * high}`);
    for (const pattern of all('pattern', board)) {
      pattern.setAttribute('patternTransform', `scale(${k}) rotate(${pattern.dataset.angle})`);
    }
    placeMarks(k, wide, high);
    drawRuler(k);
    const step = STEPS.filter((s) => (s * MM) / k <= 160).pop() ?? STEPS[0];
    $('scale').firstChild.style.width = `${(step * MM) / k}px`;
    $('scale').lastChild.textContent = `${step} mm`;
    $('window').textContent = `${plain(view.w / MM, 1)} \u00d7 ${plain((k * high) / MM, 1)} mm in view`;
    showInset(k * high);
  };
  const showInset = (h) => {
    const zoomed = view.w < 0.8 * (bx1 - bx0) || h < 0.8 * (by1 - by0);
    $('inset').classList.toggle('off', !zoomed);
    for (const [key, value] of Object.entries({ x: view.x, y: view.y, width: view.w, height: h })) $('inset-view').setAttribute(key, value);
  };
  const buildInset = () => {
    const pad = Math.max(bx1 - bx0, by1 - by0) * 0.04;
    $('inset').setAttribute('viewBox', `${bx0 - pad} ${-by1 - pad} ${bx1 - bx0 + 2 * pad} ${by1 - by0 + 2 * pad}`);
    $('inset-board').setAttribute('d', $('material').firstElementChild.getAttribute('d'));
    $('inset-board').setAttribute('transform', 'scale(1,-1)');
    $('inset').addEventListener('click', (event) => {
      const at = new DOMPoint(event.clientX, event.clientY).matrixTransform($('inset').getScreenCTM().inverse());
      whole = false;
      view.x = at.x - view.w / 2;
      view.y = at.y - (grain() * size().high) / 2;
      show();
    });
  };
  let due = 0;
  const showSoon = () => { // once a frame, however often the pointer moves
    due = due || requestAnimationFrame(() => { due = 0; show(); });
  };
  const limits = () => Math.max(bx1 - bx0, by1 - by0) * 6;
  const zoom = (factor, px, py) => {
    const { wide, high } = size();
    const k = view.w / wide;
    const w = Math.min(Math.max(view.w * factor, SMALLEST), limits());
    whole = false;
    const [ax, ay] = [px ?? wide / 2, py ?? high / 2];
    view.x += ax * (k - w / wide);
    view.y += ay * (k - w / wide);
    view.w = w;
    if (px === undefined) show();
    else showSoon();
  };
  const framed = (x0, y0, x1, y1, room) => {
    const { wide, high } = size();
    const w = Math.max((x1 - x0) * room, ((y1 - y0) * room * wide) / high);
    return { w, x: (x0 + x1) / 2 - w / 2, y: -(y0 + y1) / 2 - (w * high) / wide / 2 };
  };
  const flyTo = (target) => {
    cancelAnimationFrame(flight);
    whole = false;
    const from = { ...view };
    const still = matchMedia('(prefers-reduced-motion: reduce)').matches;
    const begin = performance.now();
    const step = (now) => {
      const t = still ? 1 : Math.min(1, Math.max(0, (now - begin) / 300));
      const s = t * t * (3 - 2 * t);
      const w = from.w * (target.w / from.w) ** s;
      const p = Math.abs(target.w - from.w) < 1e-6 * from.w ? s : (w - from.w) / (target.w - from.w);
      view.x = from.x + (target.x - from.x) * p;
      view.y = from.y + (target.y - from.y) * p;
      view.w = w;
      show();
      board.dataset.moving = t < 1 ? 'yes' : 'no';
      if (t < 1) flight = requestAnimationFrame(step);
    };
    step(begin);
  };
  const fit = () => {
    flyTo(framed(bx0, by0, bx1, by1, 1.06));
    whole = true;
  };
  const around = (f) => {
    const [x0, y0, x1, y1] = f.bounds_mm.map((v) => v * MM);
    const half = CLOSEST / 2;
    const [cx, cy] = [(x0 + x1) / 2, (y0 + y1) / 2];
    const wide = Math.max((x1 - x0) * 0.5 * 2.2, half);
    const high = Math.max((y1 - y0) * 0.5 * 2.2, half * 0.6);
    return [cx - wide, cy - high, cx + wide, cy + high];
  };

  // --------------------------------------------------------------------------------------------- layers and regions
  const layerRows = new Map();
  const applyLayers = () => {
    const pouring = [...layerRows.values()].filter((row) => row.pours.checked).length;
    for (const [id, row] of layerRows) {
      for (const [kind, box] of [['copper', row.copper], ['pours', row.pours]]) {
        for (const group of all(`g.${kind}[data-layer="${id}"]`, board)) {
          group.classList.toggle('off', !box.checked);
          group.classList.toggle('own', kind === 'pours' && row.copper.checked && pouring > 1); // behind its reference
          group.classList.toggle('beyond', kind === 'copper' && row.beyond);
        }
      }
      for (const group of all(`g.field[data-layer="${id}"]`, board)) {
        group.classList.toggle('off', !(row.pours.checked && $('field-switch').checked));
      }
      row.button.setAttribute('aria-pressed', String(row.copper.checked));
    }
    applyWays();
    show();
  };
  const applyWays = () => {
    for (const group of $('marks').querySelectorAll('.way-group')) {
      const f = byId.get(group.dataset.id);
      group.classList.toggle('off', !isShown(f) || (f.filtered && f !== chosen?.finding));
    }
  };
  const viewLayers = (first, others = []) => { // one in full, of the others the nets of the finding
    const layer = data.layers.find((known) => known.id === first);
    if (!layer) return;
    for (const [id, row] of layerRows) {
      row.beyond = others.includes(id) && id !== first;
      row.copper.checked = id === first || row.beyond;
      row.pours.checked = id === (layer.references[0] ?? first) || id === first;
    }
    applyLayers();
  };
  const buildSwitches = () => {
    for (const layer of data.layers) {
      const button = make('button', { type: 'button', title: `Traces of ${layer.id} over their reference` }, layer.id + (layer.name && layer.name !== layer.id ? ` ${layer.name}` : ''));
      const copper = make('input', { type: 'checkbox', 'aria-label': `Traces on ${layer.id}`, 'data-traces': layer.id });
      const pours = make('input', { type: 'checkbox', 'aria-label': `Pours on ${layer.id}`, 'data-pours': layer.id });
      $('layers').tBodies[0].append(make('tr', {}, make('td', {}, button), make('td', {}, copper), make('td', {}, pours)));
      layerRows.set(layer.id, { button, copper, pours, beyond: false });
      button.addEventListener('click', () => viewLayers(layer.id));
      copper.addEventListener('change', () => { layerRows.get(layer.id).beyond = false; applyLayers(); });
      pours.addEventListener('change', applyLayers);
    }
    $('field-switch')?.addEventListener('change', applyLayers);
    data.regions.forEach((region, index) => {
      const box = make('input', { type: 'checkbox', 'data-region': region.name });
      box.checked = true;
      const swatch = draw('svg', { viewBox: '0 0 30 16', 'aria-hidden': 'true' });
      swatch.append(
        draw('rect', { width: 30, height: 16, fill: region.colour, 'fill-opacity': 0.3 }),
        draw('path', { d: hatchLines(region.angle), stroke: region.colour, 'stroke-width': 1.2 }),
      );
      $('regions').append(make('label', {}, box, swatch, region.name + (region.quiet ? ' (quiet)' : '')));
      box.addEventListener('change', () => {
        for (const node of all(`.r${index}`, board)) node.classList.toggle('off', !box.checked);
      });
    });
  };
  const hatchLines = (angle) => {
    const [dx, dy] = [Math.cos((angle * Math.PI) / 180) * 40, -Math.sin((angle * Math.PI) / 180) * 40];
    let d = '';
    for (let i = -5; i <= 5; i += 1) {
      const [ox, oy] = [15 - (dy / 40) * i * 6, 8 + (dx / 40) * i * 6];
      d += `M${ox - dx} ${oy - dy}L${ox + dx} ${oy + dy}`;
    }
    return d;
  };
  const isShown = (f) => !f.layers.length || f.layers.some((id) => layerRows.get(id)?.copper.checked ?? true);

  // ------------------------------------------------------------------------------- marks: witness paths, numbers, clusters
  const wayPath = (points) => `M${points.map(([x, y]) => `${plain(x * MM, 1)} ${plain(-y * MM, 1)}`).join('L')}`;
  const owners = new Map(); // copper between legs -> the finding that it is drawn for
  const wayGroup = (f) => {
    const group = draw('g', { class: 'way-group', 'data-id': f.id });
    const [x, y] = [f.at_mm[0] * MM, -f.at_mm[1] * MM];
    const lines = f.legs.map((leg) => [wayPath(leg.points), leg.far]);
    if (!lines.length) lines.push([`M${x - 300} ${y}a300 300 0 1 0 600 0a300 300 0 1 0-600 0`, false]);
    for (const d of f.joined.map((ring) => `${wayPath(ring)}Z`)) { // the same copper is drawn once, for the worst
      group.append(draw('path', { d, class: `joined ${look(f)}${owners.get(d) === f.id ? '' : ' twin'}` }));
    }
    if (f.detour.length) {
      const d = wayPath(f.detour);
      group.append(draw('path', { d, class: 'way detour halo' }), draw('path', { d, class: 'way detour' }));
    }
    for (const [d] of lines) group.append(draw('path', { d, class: 'way halo' }));
    for (const [d, far] of lines) group.append(draw('path', { d, class: `way ${look(f)}${far ? ' far' : ''}` }));
    return group;
  };
  const badgeGroup = (g) => {
    const text = String(g.number);
    const half = Math.max(14, 7 + text.length * 5.2);
    const f = g.members[0];
    const group = draw('g', { class: `badge ${look(f)}`, 'data-group': g.id });
    const title = draw('title', {}, `${look(f)} ${g.number}: ${f.message}`);
    const round = f.level === 'warning' && !f.waived ? 2 : 14;
    group.append(title, draw('rect', { x: -half, y: -14, width: 2 * half, height: 28, rx: round }), draw('text', { y: 5.3 }, text));
    const leader = draw('line', { class: 'leader' });
    group.addEventListener('click', () => choose(g, g.members[0], { fly: false }));
    return { group, leader, half };
  };
  const badges = new Map(groups.map((g) => [g.id, badgeGroup(g)]));
  const buildMarks = () => {
    $('still').remove();
    for (const f of groups.flatMap((g) => g.members)) for (const ring of f.joined) {
      const d = `${wayPath(ring)}Z`;
      if (!owners.has(d)) owners.set(d, f.id);
    }
    for (const g of [...groups].reverse()) $('marks').append(...[...g.members].reverse().map(wayGroup));
    for (const g of groups) $('marks').append(badges.get(g.id).leader);
    $('marks').append(draw('g', { id: 'clusters' }));
    for (const g of [...groups].reverse()) $('marks').append(badges.get(g.id).group);
    $('marks').append(draw('g', { id: 'dimension', class: 'off' }));
  };

  const MOST_NUMBERS = 60; // on the board at a time; the rest share marks
  const SQUARE = 110; // px; places in one square share a mark where there is no room for their numbers
  const CELL_PX = 5;
  const TURNS = Array.from({ length: 16 }, (_, i) => Math.PI / 2 + ((i + 0.5) * Math.PI) / 8);
  const occupancy = (wide, high) => { // cells of the screen, and which of them are taken
    const [columns, rows] = [Math.ceil(wide / CELL_PX) + 1, Math.ceil(high / CELL_PX) + 1];
    const taken = new Uint8Array(columns * rows);
    const span = (low, up, most) => [Math.max(0, Math.floor(low / CELL_PX)), Math.min(most - 1, Math.floor(up / CELL_PX))];
    const box = (x0, y0, x1, y1) => [...span(x0, x1, columns), ...span(y0, y1, rows)];
    const take = (...corners) => {
      const [i0, i1, j0, j1] = box(...corners);
      for (let j = j0; j <= j1; j += 1) taken.fill(1, j * columns + i0, j * columns + i1 + 1);
    };
    const free = (...corners) => {
      const [i0, i1, j0, j1] = box(...corners);
      for (let j = j0; j <= j1; j += 1) for (let i = i0; i <= i1; i += 1) if (taken[j * columns + i]) return false;
      return true;
    };
    const takeLine = ([x0, y0], [x1, y1]) => {
      const steps = Math.min(400, Math.ceil(Math.hypot(x1 - x0, y1 - y0) / CELL_PX));
      for (let n = 0; n <= steps; n += 1) {
        const [x, y] = [x0 + ((x1 - x0) * n) / Math.max(steps, 1), y0 + ((y1 - y0) * n) / Math.max(steps, 1)];
        if (x > -9 && y > -9 && x < wide + 9 && y < high + 9) take(x - 3, y - 3, x + 3, y + 3);
      }
    };
    const labels = []; // boxes of words and numbers
    const leaders = [];
    const clear = (from, to, box) => !leaders.some((line) => crosses(...line, box)) && !labels.some((other) => crosses(from, to, other));
    return { take, free, takeLine, wide, high, labels, leaders, clear };
  };
  const crosses = ([x0, y0], [x1, y1], [left, top, right, bottom]) => { // whether a straight line meets a box
    let [begin, end] = [0, 1];
    for (const [at, step, low, up] of [[x0, x1 - x0, left, right], [y0, y1 - y0, top, bottom]]) {
      if (step === 0 && (at < low || at > up)) return false;
      if (step === 0) continue;
      const [a, b] = [(low - at) / step, (up - at) / step];
      begin = Math.max(begin, Math.min(a, b));
      end = Math.min(end, Math.max(a, b));
    }
    return begin <= end;
  };
  const REACHES = [26, 40, 58, 84, 120, 170]; // px from a place to its number
  const FAR = [...REACHES, 230, 300, 390, 500, 640, 820]; // to a mark of several
  const freeSpot = (cells, anchor, half, tall = 14, reaches = REACHES, led = true) => // first where no line crosses a label
    spotFor(cells, anchor, half, tall, reaches, led, true) ?? (led ? spotFor(cells, anchor, half, tall, reaches, led, false) : null);
  const spotFor = (cells, [ax, ay], half, tall, reaches, led, strict) => {
    for (const reach of reaches) {
      for (const turn of TURNS) {
        const x = Math.min(Math.max(ax + (reach + half - 14) * Math.cos(turn), half + 3), cells.wide - half - 3);
        const y = Math.min(Math.max(ay - reach * Math.sin(turn), tall + 3), cells.high - tall - 3);
        const box = [x - half - 2, y - tall - 2, x + half + 2, y + tall + 2];
        if (!cells.free(...box) || (strict && !cells.clear(led ? [ax, ay] : [x, y], [x, y], box))) continue;
        cells.take(...box);
        cells.labels.push(box);
        if (led) cells.leaders.push([[ax, ay], [x, y]]);
        return [x, y];
      }
    }
    return null;
  };
  const arrange = (wanted, cells) => { // numbers where there is room for them, one mark for those that find none
    const placed = new Map();
    const squares = new Map();
    for (const { anchor: [x, y] } of wanted) cells.take(x - 4, y - 4, x + 4, y + 4);
    wanted.forEach(({ group, anchor }, index) => {
      const spot = index < MOST_NUMBERS ? freeSpot(cells, anchor, badges.get(group.id).half) : null;
      if (spot) placed.set(group, { anchor, spot });
      else {
        const key = `${Math.floor(anchor[0] / SQUARE)} ${Math.floor(anchor[1] / SQUARE)}`;
        squares.set(key, [...(squares.get(key) ?? []), { group, anchor }]);
      }
    });
    const clusters = [];
    const left = [];
    for (const members of squares.values()) {
      const centre = [0, 1].map((axis) => members.reduce((sum, m) => sum + m.anchor[axis], 0) / members.length);
      const spot = freeSpot(cells, centre, 24, 13, FAR, false);
      if (spot) clusters.push({ spot, members: members.map((m) => m.group) });
      else left.push({ centre, members: members.map((m) => m.group) });
    }
    for (const { centre, members } of left) {
      const away = ({ spot }) => Math.hypot(spot[0] - centre[0], spot[1] - centre[1]);
      const near = clusters.reduce((best, c) => (!best || away(c) < away(best) ? c : best), null);
      near?.members.push(...members);
    }
    return { placed, clusters };
  };
  const inside = ([x, y], wide, high) => x > -20 && y > -20 && x < wide + 20 && y < high + 20;
  const keepOff = (cells, members, toScreen) => { // witness paths, and copper of the nets near their findings
    for (const f of members) {
      for (const leg of f.legs) leg.points.map(toScreen).forEach((point, i, points) => i && cells.takeLine(points[i - 1], point));
      const [ax, ay] = toScreen(f.at_mm);
      const near = ([x, y]) => Math.abs(x - ax) < 90 && Math.abs(y - ay) < 90;
      for (const net of f.nets) {
        for (const [a, b, layer] of copperOf(net)) {
          if (layerRows.get(layer)?.copper.checked === false) continue;
          const [p, q] = [toScreen(a), toScreen(b)];
          if (near(p) || near(q) || (near([(p[0] + q[0]) / 2, (p[1] + q[1]) / 2]))) cells.takeLine(p, q);
        }
      }
    }
  };
  const MOST_LEGS = 1500; // of a net; the pads of a ground net are everywhere
  const netCopper = new Map();
  const copperOf = (net) => { // straight legs of a net's traces and pads, mm
    if (!netCopper.has(net)) {
      const legs = [];
      for (const path of all(`g.copper path[data-net]`, $('world')).filter((node) => node.dataset.net === net)) {
        for (const piece of piecesOf(path)) {
          const p = pointsOf(piece.text).map((v) => v / MM);
          if (p.length === 2) legs.push([p, p, path.parentNode.dataset.layer]);
          for (let i = 3; i < p.length && legs.length < MOST_LEGS; i += 2) legs.push([[p[i - 3], p[i - 2]], [p[i - 1], p[i]], path.parentNode.dataset.layer]);
          if (legs.length >= MOST_LEGS) break;
        }
      }
      netCopper.set(net, legs);
    }
    return netCopper.get(net);
  };
  const setBadge = (group, leader, { anchor, spot }, [ox, oy], k) => {
    group.setAttribute('transform', `translate(${ox + spot[0] * k} ${oy + spot[1] * k}) scale(${k})`);
    for (const [key, value] of [['x1', anchor[0]], ['x2', spot[0]]]) leader.setAttribute(key, ox + value * k);
    for (const [key, value] of [['y1', anchor[1]], ['y2', spot[1]]]) leader.setAttribute(key, oy + value * k);
  };
  const clusterMark = ({ spot, members }, [ox, oy], k) => {
    const group = draw('g', { class: 'cluster', transform: `translate(${ox + spot[0] * k} ${oy + spot[1] * k}) scale(${k})` });
    group.append(draw('title', {}, `${count(members.length, 'more place')} close together`));
    group.append(draw('rect', { x: -22, y: -13, width: 44, height: 26, rx: 4 }), draw('text', { y: 5.3 }, `+${members.length}`));
    group.addEventListener('click', () => openCluster(members));
    return group;
  };
  const openCluster = (members) => { // closer, until their numbers come apart
    const places = members.map((g) => g.members.find((f) => !f.filtered && isShown(f)) ?? g.members[0]);
    const [xs, ys] = [places.map((f) => f.at_mm[0] * MM), places.map((f) => f.at_mm[1] * MM)];
    const [x0, x1, y0, y1] = [Math.min(...xs), Math.max(...xs), Math.min(...ys), Math.max(...ys)];
    const w = Math.max(Math.min((x1 - x0) * 1.4, view.w * 0.6), (y1 - y0) * 1.4, view.w * 0.25);
    if (x1 - x0 < 10 && y1 - y0 < 10) choose(members[0], places[0], { fly: true });
    else flyTo(framed((x0 + x1 - w) / 2, (y0 + y1) / 2, (x0 + x1 + w) / 2, (y0 + y1) / 2, 1));
  };
  const placeMarks = (k, wide, high) => {
    const toScreen = ([x, y]) => [(x * MM - view.x) / k, (-y * MM - view.y) / k];
    const order = chosen ? [chosen.group, ...groups.filter((g) => g !== chosen.group)] : groups;
    const wanted = [];
    const cells = occupancy(wide, high);
    cells.take(wide - 172, high - 132, wide, high); // the inset
    for (const group of order) {
      const f = group === chosen?.group ? chosen.finding : shownMembers(group).find((m) => inside(toScreen(m.at_mm), wide, high));
      if (!f || !isShown(f) || !inside(toScreen(f.at_mm), wide, high)) continue;
      wanted.push({ group, anchor: toScreen(f.at_mm), finding: f });
    }
    keepOff(cells, wanted.slice(0, MOST_NUMBERS).map(({ finding }) => finding), toScreen);
    placeDimension(cells, toScreen, k);
    const { placed, clusters } = arrange(wanted, cells);
    for (const g of groups) {
      const { group, leader } = badges.get(g.id);
      group.classList.toggle('off', !placed.has(g));
      leader.classList.toggle('off', !placed.has(g));
      if (placed.has(g)) setBadge(group, leader, placed.get(g), [view.x, view.y], k);
    }
    $('clusters').replaceChildren(...clusters.map((cluster) => clusterMark(cluster, [view.x, view.y], k)));
    placeWords(all('g.field:not(.off) text', $('world')), cells, toScreen, k);
  };
  const placeWords = (words, cells, toScreen, k) => { // of currents: where there is room, at one size whatever the zoom
    const placed = new Set(); // two layers may say the same
    for (const node of words) {
      const half = Number(node.dataset.half);
      const same = `${node.textContent} ${node.dataset.spots}`;
      const spots = node.dataset.spots.split(' ').map((spot) => spot.split(',').map(Number));
      const aside = node.dataset.beside ? [[half + 8, 0], [-half - 8, 0], [0, -17], [0, 17]] : [[0, 0]];
      const places = spots.flatMap(([x, y]) => { const [u, v] = toScreen([x / MM, y / MM]); return aside.map(([dx, dy]) => ({ x, y, dx, dy, u: u + dx, v: v + dy })); });
      const place = placed.has(same) ? null : places.find(({ u, v }) => {
        const box = [u - half, v - 8, u + half, v + 8];
        return box[0] > 0 && box[1] > 0 && box[2] < cells.wide && box[3] < cells.high && cells.free(...box) && cells.clear([u, v], [u, v], box);
      });
      node.classList.toggle('off', !place);
      if (!place) continue;
      placed.add(same);
      cells.take(place.u - half, place.v - 8, place.u + half, place.v + 8);
      cells.labels.push([place.u - half, place.v - 8, place.u + half, place.v + 8]);
      node.setAttribute('transform', `translate(${place.x + place.dx * k} ${place.y - (place.dy + 4) * k}) scale(${k},${-k})`);
    }
  };
  const placeDimension = (cells, toScreen, k) => { // what was measured, beside the path of the chosen finding
    const f = chosen?.finding;
    $('dimension').classList.add('off');
    if (!f?.measurement || !isShown(f)) return;
    const half = 8 + f.measurement.length * 4.4;
    const spot = freeSpot(cells, toScreen(f.at_mm), half, 12, REACHES, false);
    if (!spot) return;
    $('dimension').replaceChildren(draw('rect', { x: -half, y: -12, width: 2 * half, height: 24, rx: 3 }), draw('text', { y: 5 }, f.measurement));
    $('dimension').setAttribute('transform', `translate(${view.x + spot[0] * k} ${view.y + spot[1] * k}) scale(${k})`);
    $('dimension').classList.remove('off');
  };

  // ---------------------------------------------------------------------------------- list, filters, the address
  const CHECKS = { 'with-waived': 'waived', 'with-known': 'known' };
  const readFilters = () => ({
    words: $('search').value.toLowerCase().split(/\s+/).filter(Boolean),
    levels: new Set(all('[name=level]:checked').map((box) => box.value)),
    rule: $('rule-filter').value,
    layer: $('layer-filter').value,
    waived: $('with-waived').checked,
    known: $('with-known').checked,
  });
  const fits = (f, { words, levels, rule, layer, waived, known }) => levels.has(f.level) && (waived || !f.waived) && (known || !f.known)
    && (!rule || f.rule === rule) && (!layer || f.layers.includes(layer)) && words.every((word) => f.words.includes(word));
  const filter = () => {
    const wanted = readFilters();
    let listed = 0;
    for (const f of findings) f.filtered = !fits(f, wanted);
    for (const g of groups) {
      g.filtered = g.members.every((f) => f.filtered);
      entries.get(g.id).hidden = g.filtered && g !== chosen?.group;
      listed += g.filtered ? 0 : 1;
    }
    $('listed').textContent = groups.length ? `${listed} of ${count(groups.length, 'place')}` : 'no findings';
    $('reset-button').hidden = stateOfFilters() === '';
    if (wanted.layer && !layerRows.get(wanted.layer)?.copper.checked) viewLayers(wanted.layer);
    applyWays();
    writeAddress();
    show();
  };
  const stateOfFilters = () => {
    const off = all('[name=level]:not(:checked)').map((box) => box.value);
    const state = new URLSearchParams();
    if ($('search').value) state.set('q', $('search').value);
    if (off.length) state.set('without', off.join(','));
    for (const [id, key] of Object.entries(CHECKS)) if (!$(id).checked) state.set(key, '0');
    for (const key of ['rule', 'layer']) if ($(`${key}-filter`).value) state.set(key, $(`${key}-filter`).value);
    return state.toString();
  };
  const reset = () => {
    setFilters(new URLSearchParams());
    filter();
    $('search').focus();
  };
  const setFilters = (state) => {
    const off = (state.get('without') ?? '').split(',');
    $('search').value = state.get('q') ?? '';
    for (const box of all('[name=level]')) box.checked = !off.includes(box.value);
    for (const [id, key] of Object.entries(CHECKS)) $(id).checked = state.get(key) !== '0';
    for (const key of ['rule', 'layer']) {
      const select = $(`${key}-filter`);
      select.value = [...select.options].some((option) => option.value === state.get(key)) ? state.get(key) : '';
    }
  };
  const writeAddress = () => {
    const address = [chosen?.finding.id, stateOfFilters()].filter(Boolean).join('&');
    if (location.hash.slice(1) !== address) history.replaceState(null, '', address ? `#${address}` : location.pathname + location.search);
  };
  const fromAddress = () => {
    const [first, ...rest] = location.hash.slice(1).split('&');
    const isId = !first.includes('=');
    if (isId && $(decodeURIComponent(first))?.matches('details')) return;
    setFilters(new URLSearchParams((isId ? rest : [first, ...rest]).join('&')));
    const f = isId ? byId.get(decodeURIComponent(first)) : null;
    if (f) choose(groupOf.get(f.id), f, { fly: true });
    filter();
  };

  const choose = (group, finding, { fly }) => {
    const again = chosen?.group === group;
    if (!again) unchoose();
    chosen = { group, finding };
    const item = entries.get(group.id);
    item.hidden = false;
    item.classList.add('chosen');
    item.querySelector('.entry').setAttribute('aria-expanded', 'true');
    if (!again) bringIntoSight(item);
    for (const button of all('.member', item)) button.setAttribute('aria-current', String(button.dataset.finding === finding.id));
    if (!isShown(finding) || finding.layers.length > 1) viewLayers(finding.layer ?? finding.layers[0], finding.layers);
    for (const node of all('#marks .chosen-mark')) node.classList.remove('chosen-mark');
    for (const node of all('#marks .way-group, #marks .badge')) node.classList.toggle('chosen-mark', node.dataset.id === finding.id || node.dataset.group === group.id);
    for (const node of all('[data-net]', board)) node.classList.toggle('lit', finding.nets.includes(node.dataset.net));
    applyWays();
    writeAddress();
    if (fly) flyTo(framed(...around(finding), 1));
    else show();
  };
  const bringIntoSight = (item) => {
    const list = $('list').parentNode;
    const filters = getComputedStyle($('filters')).position === 'sticky' ? $('filters').offsetHeight : 0;
    item.style.scrollMarginTop = `${filters}px`; // the filters stay on top of the list
    item.scrollIntoView({ block: item.offsetHeight > list.clientHeight - filters ? 'start' : 'nearest' });
  };
  const unchoose = () => {
    if (!chosen) return;
    const item = entries.get(chosen.group.id);
    item.classList.remove('chosen');
    item.hidden = Boolean(chosen.group.filtered);
    item.querySelector('.entry').setAttribute('aria-expanded', 'false');
    for (const node of all('#marks .chosen-mark')) node.classList.remove('chosen-mark');
    for (const node of all('[data-net]', board)) node.classList.add('lit');
    chosen = null;
  };
  const neighbour = (step) => {
    const listed = groups.filter((g) => !g.filtered);
    if (!listed.length) return;
    const index = chosen ? listed.indexOf(chosen.group) : -1;
    const next = index < 0 ? (step > 0 ? 0 : listed.length - 1) : Math.min(Math.max(index + step, 0), listed.length - 1);
    choose(listed[next], listed[next].members.find((f) => !f.filtered), { fly: true });
  };
  const buildList = () => {
    for (const g of groups) {
      const item = entries.get(g.id);
      item.querySelector('.entry').addEventListener('click', () => {
        choose(g, g.members.find((f) => !f.filtered) ?? g.members[0], { fly: true });
      });
      for (const button of all('.member', item)) button.addEventListener('click', () => choose(g, byId.get(button.dataset.finding), { fly: true }));
    }
    for (const link of all('a[href^="#about-"]')) {
      link.addEventListener('click', (event) => {
        event.preventDefault();
        const page = $(link.getAttribute('href').slice(1));
        page.open = true;
        page.querySelector('summary').focus();
        page.scrollIntoView({ block: 'start' });
      });
    }
  };

  // -------------------------------------------------------------------------------------------- text for the rules file
  const picked = () => all('.pick:checked').map((box) => box.closest('li').querySelector('.decide pre').textContent);
  const tellPicked = () => {
    const number = picked().length;
    $('basket').hidden = number === 0;
    $('picked').textContent = number ? `${number} chosen` : '';
  };
  const copy = async (text, tell) => {
    const holder = make('textarea', { class: 'unseen', readonly: '' });
    holder.value = text;
    const host = $('decide').open ? $('decide') : document.body;
    const before = document.activeElement;
    host.append(holder);
    holder.select();
    const done = document.execCommand('copy');
    holder.remove();
    before?.focus();
    tell(done ? 'copied' : 'select the text and copy it');
  };
  const buildDecisions = () => {
    for (const box of all('.pick')) box.addEventListener('change', tellPicked);
    for (const button of all('.decide .copy')) {
      button.addEventListener('click', () => copy(button.previousElementSibling.textContent, (word) => { button.textContent = word === 'copied' ? 'Copied' : 'Copy'; }));
    }
    $('decide-button').addEventListener('click', () => {
      $('decide-text').value = `${picked().join('\n\n')}\n`;
      $('copied').textContent = '';
      $('decide').showModal();
    });
    $('copy-button').addEventListener('click', () => copy($('decide-text').value, (word) => { $('copied').textContent = word; }));
    $('unpick-button').addEventListener('click', () => {
      for (const box of all('.pick')) box.checked = false;
      tellPicked();
      $('search').focus();
    });
  };

  // --------------------------------------------------------------------------------------------- pieces of the board
  const pieces = new WeakMap(); // path -> its lines or rings with their boxes and nets
  const piecesOf = (path) => {
    if (!pieces.has(path)) {
      const nets = (path.dataset.nets ?? '').split(' ').flatMap((run) => {
        const [net, count] = run.split('*').map(Number);
        return Array(count ?? 1).fill(net);
      });
      pieces.set(path, path.getAttribute('d').split('M').slice(1).map((text, index) => ({ ...boxOf(text), net: nets[index] })));
    }
    return pieces.get(path);
  };
  const pointsOf = (text) => { // x, y, x, y, ... in micrometres, y up
    const numbers = text.match(/-?[\d.]+/g).map(Number);
    if (text.includes('h0')) return numbers.slice(0, 2);
    for (let i = 2; i < numbers.length; i += 1) numbers[i] += numbers[i - 2];
    return numbers;
  };
  const boxOf = (text) => {
    const [x, y, ...rest] = pointsOf(text);
    const box = { text, x0: x, y0: y, x1: x, y1: y };
    for (let i = 0; i < rest.length; i += 2) {
      box.x0 = Math.min(box.x0, rest[i]); box.x1 = Math.max(box.x1, rest[i]);
      box.y0 = Math.min(box.y0, rest[i + 1]); box.y1 = Math.max(box.y1, rest[i + 1]);
    }
    return box;
  };

  // ---------------------------------------------------------------------------------------- what is under the pointer
  const CELL = 2 * MM; // of the grid in which pieces are looked up
  const MOST_CELLS = 64; // a piece over more of them is looked at every time
  const MOST_TOLD = 4;
  const grid = { cells: new Map(), large: [] };
  const ungridded = [...$('world').querySelectorAll('path[data-nets]')].entries();
  const whenIdle = window.requestIdleCallback ?? ((work) => setTimeout(work, 100));
  const addToGrid = (path, order) => {
    const reach = Number(path.getAttribute('stroke-width') ?? 0) / 2;
    for (const piece of piecesOf(path)) {
      const entry = { path, piece, reach, order };
      const [i0, j0, i1, j1] = [piece.x0 - reach, piece.y0 - reach, piece.x1 + reach, piece.y1 + reach].map((v) => Math.floor(v / CELL));
      if ((i1 - i0 + 1) * (j1 - j0 + 1) > MOST_CELLS) grid.large.push(entry);
      else for (let i = i0; i <= i1; i += 1) for (let j = j0; j <= j1; j += 1) cellAt(i, j).push(entry);
    }
  };
  const buildGrid = (idle) => { // as far as there is time, or, once it is needed, whole
    for (;;) {
      const { done, value } = ungridded.next();
      if (done) return;
      addToGrid(value[1], value[0]);
      if (idle && idle.timeRemaining() < 2) break;
    }
    whenIdle(buildGrid);
  };
  const cellAt = (i, j) => {
    const key = i * 65536 + j;
    if (!grid.cells.has(key)) grid.cells.set(key, []);
    return grid.cells.get(key);
  };
  const awayFrom = (points, x, y) => { // distance from a polyline
    let least = Math.hypot(x - points[0], y - points[1]);
    for (let i = 2; i < points.length; i += 2) {
      const [ax, ay, dx, dy] = [points[i - 2], points[i - 1], points[i] - points[i - 2], points[i + 1] - points[i - 1]];
      const t = Math.max(0, Math.min(1, ((x - ax) * dx + (y - ay) * dy) / (dx * dx + dy * dy || 1)));
      least = Math.min(least, Math.hypot(x - ax - t * dx, y - ay - t * dy));
    }
    return least;
  };
  const turnsRound = (points, x, y) => { // how often a ring runs round a point, counterclockwise positive
    let turns = 0;
    for (let i = 0; i < points.length; i += 2) {
      const [ax, ay] = [points[i], points[i + 1]];
      const [bx, by] = [points[(i + 2) % points.length], points[(i + 3) % points.length]];
      if (ay <= y === by <= y) continue;
      if (((bx - ax) * (y - ay) - (x - ax) * (by - ay)) * (by > ay ? 1 : -1) > 0) turns += by > ay ? 1 : -1;
    }
    return turns;
  };
  const copperAt = (x, y) => { // what is shown there, uppermost first
    buildGrid();
    const near = [...(grid.cells.get(Math.floor(x / CELL) * 65536 + Math.floor(y / CELL)) ?? []), ...grid.large];
    const filled = new Map();
    const hits = [];
    for (const entry of near) {
      const { path, piece, reach } = entry;
      if (x < piece.x0 - reach || x > piece.x1 + reach || y < piece.y0 - reach || y > piece.y1 + reach) continue;
      if (path.classList.contains('off') || path.parentNode.classList.contains('off')) continue;
      const points = pointsOf(piece.text);
      if (reach > 0) {
        if (awayFrom(points, x, y) <= reach) hits.push(entry);
      } else {
        const key = `${entry.order} ${piece.net}`;
        const known = filled.get(key) ?? { entry, turns: 0 };
        filled.set(key, { entry, turns: known.turns + turnsRound(points, x, y) });
      }
    }
    for (const { entry, turns } of filled.values()) if (turns !== 0) hits.push(entry);
    return hits.sort((a, b) => b.order - a.order);
  };
  const nameOf = ({ path, piece }) => {
    const group = path.parentNode;
    const net = piece.net >= 0 ? data.nets[piece.net] || 'net without a name' : 'no net';
    const region = group.classList.contains('pours') ? data.regions[parseInt(path.getAttribute('class').slice(1), 10)]?.name : undefined;
    return `${group.dataset.layer} ${net}${region === undefined ? '' : `, pour of ${region}`}`;
  };
  let pointedAt = null;
  let telling = 0;
  const tell = () => {
    telling = 0;
    const names = pointedAt ? [...new Set(copperAt(...pointedAt).map(nameOf))] : [];
    if (names.length > MOST_TOLD) names.splice(MOST_TOLD, names.length, `and ${names.length - MOST_TOLD} more`);
    $('under').textContent = names.join(' \u00b7 ');
  };
  const tellSoon = (at) => { // once a frame, and not while the board is dragged
    pointedAt = pointers.size ? null : at;
    telling = telling || requestAnimationFrame(tell);
  };


  // -------------------------------------------------------------------------------------------------------- pointer
  const pointers = new Map();
  let measuring = false;
  let ruler = [];
  let cross = null; // where the keyboard's cross stands while measuring
  let moved = 0;
  const worldAt = (event) => {
    const { left, top } = size();
    const k = grain();
    return [view.x + (event.clientX - left) * k, view.y + (event.clientY - top) * k];
  };
  board.addEventListener('pointerdown', (event) => {
    cancelAnimationFrame(flight);
    pointers.set(event.pointerId, [event.clientX, event.clientY]);
    moved = 0;
  });
  board.addEventListener('pointermove', (event) => {
    const [x, y] = worldAt(event);
    $('where').textContent = `x ${(x / MM).toFixed(3)}  y ${(-y / MM).toFixed(3)} mm`;
    tellSoon([x, -y]);
    if (measuring && ruler.length === 1) drawRuler(grain(), [x, y]);
    const last = pointers.get(event.pointerId);
    if (!last) return;
    const others = [...pointers.entries()].filter(([id]) => id !== event.pointerId).map(([, point]) => point);
    const [dx, dy] = [event.clientX - last[0], event.clientY - last[1]];
    moved += Math.abs(dx) + Math.abs(dy);
    if (moved > 3 && !board.hasPointerCapture(event.pointerId)) board.setPointerCapture(event.pointerId);
    pointers.set(event.pointerId, [event.clientX, event.clientY]);
    if (others.length) {
      const [ox, oy] = others[0];
      const before = Math.hypot(last[0] - ox, last[1] - oy);
      const after = Math.hypot(event.clientX - ox, event.clientY - oy);
      const { left, top } = size();
      if (before > 0 && after > 0) zoom(before / after, (event.clientX + ox) / 2 - left, (event.clientY + oy) / 2 - top);
    } else if (moved > 3) {
      board.classList.add('dragging');
      whole = false;
      view.x -= dx * grain();
      view.y -= dy * grain();
      showSoon();
    }
  });
  const lift = (event) => {
    pointers.delete(event.pointerId);
    board.classList.remove('dragging');
    if (due) show();
  };
  board.addEventListener('pointerup', lift);
  board.addEventListener('pointercancel', lift);
  const addPoint = (point) => {
    ruler = ruler.length === 1 ? [ruler[0], point] : [point];
    drawRuler(grain());
  };
  board.addEventListener('click', (event) => {
    if (measuring && moved <= 3) addPoint(worldAt(event));
  });
  board.addEventListener('wheel', (event) => {
    event.preventDefault();
    cancelAnimationFrame(flight);
    const { left, top } = size();
    zoom(1.0015 ** Math.max(-400, Math.min(400, event.deltaY * (event.deltaMode ? 33 : 1))), event.clientX - left, event.clientY - top);
  }, { passive: false });
  board.addEventListener('pointerleave', () => { $('where').textContent = ''; tellSoon(null); });

  const setMeasuring = (on) => {
    measuring = on;
    whole = false; // what is measured stays where it is
    ruler = [];
    cross = null;
    board.classList.toggle('measuring', on);
    $('measure-button').setAttribute('aria-pressed', String(on));
    $('length').textContent = on ? 'click two points, or use arrows and Enter on the board' : '';
    drawRuler(grain());
  };
  const drawRuler = (k, loose) => {
    const open = loose ?? (ruler.length === 1 ? cross : null);
    const points = open ? [...ruler, open] : ruler;
    const marks = points.map(([x, y]) => draw('circle', { cx: x, cy: y, r: 4 * k }));
    if (measuring && cross) {
      const [x, y] = cross;
      marks.push(draw('path', { class: 'cross', d: `M${x - 12 * k} ${y}H${x + 12 * k}M${x} ${y - 12 * k}V${y + 12 * k}` }));
    }
    $('ruler').replaceChildren(...marks);
    if (points.length < 2) return;
    const [[x0, y0], [x1, y1]] = points;
    $('ruler').prepend(draw('line', { x1: x0, y1: y0, x2: x1, y2: y1 }));
    const [dx, dy] = [(x1 - x0) / MM, (y0 - y1) / MM];
    $('length').textContent = `${Math.hypot(dx, dy).toFixed(3)} mm (dx ${dx.toFixed(3)}, dy ${dy.toFixed(3)})`;
  };
  const moveCross = (dx, dy, fine) => { // in pixels
    const { wide, high } = size();
    const k = grain();
    cross ??= [view.x + (wide * k) / 2, view.y + (high * k) / 2];
    cross = [cross[0] + dx * k * (fine ? 1 : 10), cross[1] + dy * k * (fine ? 1 : 10)];
    $('where').textContent = `x ${(cross[0] / MM).toFixed(3)}  y ${(-cross[1] / MM).toFixed(3)} mm`;
    drawRuler(k);
  };

  // ----------------------------------------------------------------------------------------------- keys and buttons
  const pan = (dx, dy) => { whole = false; view.x += dx * view.w * 0.1; view.y += dy * view.w * 0.1; show(); };
  const turnTheme = () => document.documentElement.classList.toggle('dark');
  const measureByKey = () => { setMeasuring(!measuring); if (measuring) { board.focus(); moveCross(0, 0, true); } };
  const keys = {
    j: () => neighbour(1), k: () => neighbour(-1), f: fit, m: measureByKey, t: turnTheme,
    '+': () => zoom(1 / 1.3), '=': () => zoom(1 / 1.3), '-': () => zoom(1.3),
    '/': () => $('search').focus(), '?': () => $('help').showModal(),
  };
  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  const onBoard = (event) => {
    if (arrows[event.key]) {
      if (measuring) moveCross(...arrows[event.key], event.shiftKey);
      else pan(...arrows[event.key]);
      return true;
    }
    if (!measuring || (event.key !== 'Enter' && event.key !== ' ')) return false;
    moveCross(0, 0, true);
    addPoint(cross);
    return true;
  };
  document.addEventListener('keydown', (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || $('help').open || $('decide').open) return;
    if (event.key === 'Escape') {
      if (measuring) setMeasuring(false);
      else if (document.activeElement === $('search')) $('search').blur();
      return;
    }
    if (/^(input|select|textarea)$/i.test(event.target.tagName) && event.target.type !== 'checkbox') return;
    const focused = document.activeElement === board || document.activeElement === document.body;
    if (focused && onBoard(event)) event.preventDefault();
    else if (keys[event.key]) {
      keys[event.key]();
      event.preventDefault();
    }
  });
  $('filters').addEventListener('submit', (event) => event.preventDefault());
  $('filters').addEventListener('input', filter);
  $('reset-button').addEventListener('click', reset);
  $('fit-button').addEventListener('click', fit);
  $('in-button').addEventListener('click', () => zoom(1 / 1.3));
  $('out-button').addEventListener('click', () => zoom(1.3));
  $('measure-button').addEventListener('click', (event) => (event.detail === 0 ? measureByKey() : setMeasuring(!measuring)));
  $('theme-button').addEventListener('click', turnTheme);
  $('help-button').addEventListener('click', () => $('help').showModal());
  $('print-button').addEventListener('click', () => window.print());
  window.addEventListener('hashchange', fromAddress);
  new ResizeObserver(() => { // it is called once the page is laid out, too
    if (whole && !chosen) Object.assign(view, framed(bx0, by0, bx1, by1, 1.06));
    show();
    board.dataset.ready = 'yes';
  }).observe(board);

  // ---------------------------------------------------------------------------------------------------------- print
  const MOST_ROWS = 400; // of the overview
  const MOST_PRINTED = 200; // pictures
  const MOST_DOUBTS = 6;
  const OVERVIEWS_HIGH = 150; // mm, of the pictures of all layers, so that the overview of few places is one page
  const cut = (path, [x0, y0, x1, y1]) => {
    const slack = Number(path.getAttribute('stroke-width') ?? 0) / 2;
    const kept = piecesOf(path).filter((p) => p.x0 - slack <= x1 && p.x1 + slack >= x0 && p.y0 - slack <= y1 && p.y1 + slack >= y0);
    if (!kept.length) return null;
    const part = path.cloneNode(false);
    part.setAttribute('d', kept.map((p) => `M${p.text}`).join(''));
    return part;
  };
  const wantedGroups = (layer, beyond) => {
    const main = layer?.references[0] ?? layer?.id;
    const wanted = (g) => !g.dataset.layer || (g.classList.contains('copper') ? [layer?.id, ...beyond].includes(g.dataset.layer) : [main, layer?.id].includes(g.dataset.layer));
    return [...$('world').children].filter(wanted);
  };
  let drawings = 0;
  const cutout = ([x0, y0, x1, y1], layer, lit, beyond = []) => { // a drawing of a window of the board, with copper outside left away
    drawings += 1;
    const prefix = `print${drawings}-`;
    const k = (x1 - x0) / 680; // micrometres to a printed pixel
    const svg = draw('svg', { viewBox: `${x0} ${-y1} ${x1 - x0} ${y1 - y0}` });
    const [defs, world] = [draw('defs'), draw('g', { transform: 'scale(1,-1)' })];
    for (const pattern of all('pattern', board)) {
      const own = pattern.cloneNode(true);
      own.id = prefix + pattern.id;
      own.setAttribute('patternTransform', `scale(${k}) rotate(${pattern.dataset.angle})`);
      defs.append(own);
    }
    for (const group of wantedGroups(layer, beyond)) {
      const part = group.cloneNode(false);
      part.removeAttribute('id');
      part.classList.remove('off');
      const behind = layer?.references[0] !== undefined && layer.references[0] !== part.dataset.layer;
      part.classList.toggle('own', part.classList.contains('pours') && behind);
      part.classList.toggle('beyond', part.classList.contains('copper') && part.dataset.layer !== layer?.id);
      for (const path of all('path', group)) {
        const piece = cut(path, [x0, y0, x1, y1]);
        if (!piece) continue;
        piece.classList.remove('off');
        if (piece.dataset.net) piece.classList.toggle('lit', lit.includes(piece.dataset.net));
        const fill = piece.getAttribute('fill') ?? '';
        if (fill.startsWith('url(#')) piece.setAttribute('fill', `url(#${prefix}${fill.slice(5)}`);
        part.append(piece);
      }
      for (const words of all('text', group)) part.append(words.cloneNode(true)); // of currents; `placeWords` places them
      world.append(part);
    }
    svg.append(defs, world);
    return { svg, k };
  };
  const layerOf = (f) => data.layers.find((known) => known.id === (f.layer ?? f.layers[0])) ?? data.layers[0];
  const printed = (g) => {
    const members = g.members.filter((f) => !f.filtered);
    const f = members[0];
    const [x0, y0, x1, y1] = around(f);
    const ratio = 2.4; // as on paper, so that the coordinates stand along the edges
    const w = Math.max(x1 - x0, (y1 - y0) * ratio);
    const [cx, cy] = [(x0 + x1) / 2, (y0 + y1) / 2];
    const frame = [cx - w / 2, cy - w / ratio / 2, cx + w / 2, cy + w / ratio / 2];
    const { svg, k } = cutout(frame, layerOf(f), members.flatMap((m) => m.nets), f.layers);
    svg.append(...members.slice(0, 30).reverse().map(wayGroup), ...printScale(frame, w, k), ...edgeScale(frame, k));
    const toScreen = ([x, y]) => [(x * MM - frame[0]) / k, (-y * MM + frame[3]) / k];
    const cells = occupancy(680, 680 / ratio);
    keepOff(cells, members.slice(0, 30), toScreen);
    placeWords(all('g.field text', svg), cells, toScreen, k);
    const entry = entries.get(g.id);
    const heading = make('p', {}, make('b', {}, `${g.number}. ${entry.querySelector('.about b').textContent}`), ` ${entry.querySelector('.about span').textContent}`);
    const story = entry.querySelector('.story').cloneNode(true);
    for (const node of all('details, p:has(a), button', story)) node.remove();
    story.removeAttribute('id');
    shorten(story);
    const caption = make('figcaption', {}, heading, ...story.childNodes, make('p', { class: 'caution' }, report.caution));
    return make('figure', { 'data-group': g.id }, svg, caption);
  };
  const MOST_WORDS = 800; // of a paragraph, MOST_FACTS of the table: so that every place fits on one page
  const MOST_FACTS = 1200;
  const shorten = (story) => {
    const rest = '\u2026 (in full in the list)';
    for (const words of all('p', story)) if (words.textContent.length > MOST_WORDS) words.textContent = words.textContent.slice(0, MOST_WORDS) + rest;
    let left = MOST_FACTS;
    for (const facts of all('dl', story)) {
      for (const node of [...facts.children]) {
        left -= node.textContent.length;
        if (left < 0) node.remove();
      }
      if (left < 0) facts.after(make('p', {}, `More facts: ${rest.slice(2)}`));
    }
  };
  const overview = (layer, listed) => {
    const shown = listed.filter((g) => g.members.some((f) => !f.filtered && (!f.layers.length || f.layers.includes(layer.id))));
    const pad = Math.max(bx1 - bx0, by1 - by0) * 0.02;
    const frame = [bx0 - pad, by0 - 3 * pad, bx1 + pad, by1 + pad]; // room for the scale below
    const { svg, k } = cutout(frame, layer, shown.flatMap((g) => g.members.flatMap((f) => f.nets)));
    const toScreen = ([x, y]) => [(x * MM - frame[0]) / k, (-y * MM + frame[3]) / k];
    const cells = occupancy(680, (frame[3] - frame[1]) / k);
    const wanted = shown.map((group) => {
      const finding = group.members.find((f) => !f.filtered && (!f.layers.length || f.layers.includes(layer.id)));
      return { group, finding, anchor: toScreen(finding.at_mm) };
    });
    const ways = shown.flatMap((g) => g.members.filter((f) => !f.filtered && (!f.layers.length || f.layers.includes(layer.id))));
    svg.append(...ways.reverse().map(wayGroup));
    keepOff(cells, wanted.map(({ finding }) => finding), toScreen);
    const { placed, clusters } = arrange(wanted, cells);
    for (const [group, spot] of placed) {
      const badge = badgeGroup(group);
      setBadge(badge.group, badge.leader, spot, [frame[0], -frame[3]], k);
      svg.append(badge.leader, badge.group);
    }
    for (const cluster of clusters) svg.append(clusterMark(cluster, [frame[0], -frame[3]], k));
    placeWords(all('g.field text', svg), cells, toScreen, k);
    svg.append(...printScale(frame, frame[2] - frame[0], k));
    const words = `Layer ${layer.id}, seen from the top; pours of ${layer.references[0] ?? layer.id}; ${count(shown.length, 'place')}.`;
    return make('figure', { class: 'overview' }, svg, make('figcaption', {}, make('p', {}, words)));
  };
  const printScale = (frame, w, k) => {
    const step = STEPS.filter((s) => s >= 0.1 && s * MM <= w / 4).pop() ?? 0.1;
    const [x, y] = [frame[2] - 16 * k, -frame[1] - 14 * k];
    const label = draw('text', { x: x - (step * MM) / 2, y: y - 8 * k, 'font-size': 13 * k, 'text-anchor': 'middle', class: 'scale-text' }, `${step} mm`);
    return [draw('path', { d: `M${x - step * MM} ${y - 5 * k}V${y}H${x}V${y - 5 * k}`, class: 'edge' }), label];
  };
  const edgeScale = ([x0, y0, x1, y1], k) => { // coordinates along the upper and the left edge
    const step = (STEPS.find((s) => (s * MM) / k >= 110) ?? 200) * MM;
    const places = step < MM ? 2 : 0;
    const out = [];
    const label = (x, y, words) => out.push(draw('text', { x, y, 'font-size': 12 * k, class: 'scale-text' }, words));
    for (let x = Math.ceil(x0 / step) * step; x < x1 - 60 * k; x += step) {
      out.push(draw('path', { d: `M${x} ${-y1}v${7 * k}`, class: 'edge' }));
      if (x > x0 + 50 * k) label(x + 3 * k, -y1 + 13 * k, `x ${(x / MM).toFixed(places)}`);
    }
    for (let y = Math.ceil(y0 / step) * step; y < y1 - 20 * k; y += step) {
      out.push(draw('path', { d: `M${x0} ${-y}h${7 * k}`, class: 'edge' }));
      label(x0 + 10 * k, -y + 4 * k, `y ${(y / MM).toFixed(places)}`);
    }
    return out;
  };
  const buildPrints = () => {
    const listed = groups.filter((g) => !g.filtered);
    const called = data.layers.filter((layer) => listed.some((g) => g.members.some((f) => f.layers.includes(layer.id))));
    const summary = make('div', { class: 'summary' });
    const open = report.doubts.filter((doubt) => !doubt.accepted);
    const some = open.slice(0, MOST_DOUBTS).map((d) => make('li', {}, d.what));
    if (open.length > MOST_DOUBTS) some.push(make('li', {}, `and ${open.length - MOST_DOUBTS} more in the report`));
    if (open.length) summary.append(make('h2', {}, 'Open doubts'), make('ul', {}, ...some));
    const quiet = $('quiet-inputs')?.cloneNode(true);
    quiet?.removeAttribute('id');
    if (quiet) summary.append(quiet);
    if (!listed.length) summary.append(make('p', {}, 'No findings listed.'));
    const pictures = make('div', { class: 'overviews' }, ...called.map((layer) => overview(layer, listed)));
    const high = Math.min(92, OVERVIEWS_HIGH / Math.max(1, Math.ceil(called.length / 2)) - 8);
    for (const svg of all('svg', pictures)) svg.style.height = `${high}mm`;
    const rows = listed.slice(0, MOST_ROWS).map((g) => {
      const about = entries.get(g.id).querySelector('.about');
      return make('tr', {}, ...[g.number, about.querySelector('b').textContent, about.querySelector('span').textContent].map((cell) => make('td', {}, String(cell))));
    });
    const table = rows.length ? [make('div', { class: 'rows' }, make('table', {}, make('tbody', {}, ...rows)))] : [];
    if (listed.length > MOST_PRINTED) table.push(make('p', {}, `Pictures: the first ${MOST_PRINTED} of ${listed.length} places.`));
    $('prints').replaceChildren(summary, pictures, ...table, ...listed.slice(0, MOST_PRINTED).map(printed));
  };
  window.addEventListener('beforeprint', buildPrints);
  window.addEventListener('afterprint', () => $('prints').replaceChildren());

  // ---------------------------------------------------------------------------------------------------------- start
  if (matchMedia('(prefers-color-scheme: dark)').matches) document.documentElement.classList.add('dark');
  buildSwitches();
  buildMarks();
  buildList();
  buildDecisions();
  buildInset();
  viewLayers(data.first ?? data.layers[0]?.id);
  Object.assign(view, framed(bx0, by0, bx1, by1, 1.06));
  fromAddress();
  show();
  whenIdle(buildGrid);
})();
