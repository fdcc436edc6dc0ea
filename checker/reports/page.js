'use strict';
(() => {
  const data = JSON.parse(document.getElementById('data').textContent);
  const report = data.report;
  const $ = (id) => document.getElementById(id);
  const SVG = 'http://www.w3.org/2000/svg';
  const MM = 1000; // world units are micrometres
  const CLOSEST = 5 * MM; // least width shown when flying to a finding
  const SMALLEST = 0.05 * MM; // least width of the view
  const MOST_PRINTED = 300;
  const ELSEWHERE = new Set(['legs', 'ends_mm', 'detour_path_mm', 'isolator_path', 'sources']); // of a finding's detail: drawn, or told apart

  const LABELS = { // of its keys, where the key itself says too little
    where: 'kind of place', x_mm: 'X (mm)', raw_mm: 'raw length (mm)', tolerance_mm: 'tolerance (mm)', field_db_uv_m: 'far field (dB\u00b5V/m)',
    detour_mm: 'return detour (mm)', detour_at_least_mm: 'return detour at least (mm)', loop_area_mm2: 'loop (mm\u00b2)', loop_nh: 'inductance (nH)', knee_mhz: 'knee (MHz)', gap_mm: 'gap (mm)',
  };

  const make = (name, attributes = {}, ...children) => {
    const node = document.createElement(name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    node.append(...children);
    return node;
  };
  const draw = (name, attributes = {}) => {
    const node = document.createElementNS(SVG, name);
    for (const [key, value] of Object.entries(attributes)) node.setAttribute(key, value);
    return node;
  };
  const plain = (value, places = 3) => String(Number(value.toFixed(places)));
  const place = ([x, y]) => `(${x.toFixed(2)}, ${y.toFixed(2)})`;
  const findings = report.findings.map((finding, index) => ({ ...finding, ...data.callouts[index] }));
  const byId = new Map(findings.map((finding) => [finding.id, finding]));
  const look = (f) => (f.waived ? 'waived' : f.level);
  let chosen = null;

  // ------------------------------------------------------------------------------------------------------- the view
  const board = $('board');
  const view = { x: 0, y: 0, w: 1 }; // left, top (y down), width
  const [bx0, by0, bx1, by1] = data.bounds.map((v) => v * MM);
  let flight = 0;
  const size = () => {
    const box = board.getBoundingClientRect();
    return { wide: Math.max(box.width, 1), high: Math.max(box.height, 1), left: box.left, top: box.top };
  };
  const grain = () => view.w / size().wide; // micrometres per pixel

  const show = () => {
    const { wide, high } = size();
    const k = view.w / wide;
    board.setAttribute('viewBox', `${view.x} ${view.y} ${view.w} ${k * high}`);
    for (const pattern of board.querySelectorAll('pattern')) {
      pattern.setAttribute('patternTransform', `scale(${k}) rotate(${pattern.dataset.angle})`);
    }
    placeBadges(k);
    drawRuler(k);
    const steps = [0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50, 100, 200];
    const step = steps.filter((s) => (s * MM) / k <= 160).pop() ?? steps[0];
    $('scale').firstChild.style.width = `${(step * MM) / k}px`;
    $('scale').lastChild.textContent = `${step} mm`;
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
    step(still ? begin : begin);
    if (!still) flight = requestAnimationFrame(step);
  };
  const fit = () => flyTo(framed(bx0, by0, bx1, by1, 1.06));
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
        for (const group of board.querySelectorAll(`g.${kind}[data-layer="${id}"]`)) {
          group.classList.toggle('off', !box.checked);
          group.classList.toggle('own', kind === 'pours' && row.copper.checked && pouring > 1); // behind its reference
        }
      }
      row.button.setAttribute('aria-pressed', String(row.copper.checked));
    }
    for (const group of $('marks').querySelectorAll('.way-group')) {
      group.classList.toggle('off', !isShown(byId.get(group.dataset.id)));
    }
    show();
  };
  const viewLayer = (id) => {
    const layer = data.layers.find((known) => known.id === id);
    if (!layer) return;
    for (const [other, row] of layerRows) {
      row.copper.checked = other === id;
      row.pours.checked = other === (layer.references[0] ?? id) || other === id;
    }
    applyLayers();
  };
  const buildSwitches = () => {
    for (const layer of data.layers) {
      const button = make('button', { type: 'button', title: `Traces of ${layer.id} over their reference` }, layer.id + (layer.name && layer.name !== layer.id ? ` ${layer.name}` : ''));
      const copper = make('input', { type: 'checkbox', 'aria-label': `Traces on ${layer.id}`, 'data-traces': layer.id });
      const pours = make('input', { type: 'checkbox', 'aria-label': `Pours on ${layer.id}`, 'data-pours': layer.id });
      const row = make('tr', {}, make('td', {}, button), make('td', {}, copper), make('td', {}, pours));
      $('layers').tBodies[0].append(row);
      layerRows.set(layer.id, { button, copper, pours });
      button.addEventListener('click', () => viewLayer(layer.id));
      copper.addEventListener('change', applyLayers);
      pours.addEventListener('change', applyLayers);
    }
    data.regions.forEach((region, index) => {
      const box = make('input', { type: 'checkbox', 'data-region': region.name });
      box.checked = true;
      const swatch = draw('svg', { viewBox: '0 0 30 16' });
      swatch.append(
        draw('rect', { width: 30, height: 16, fill: region.colour, 'fill-opacity': 0.3 }),
        draw('path', { d: hatchLines(region.angle), stroke: region.colour, 'stroke-width': 1.2 }),
      );
      const label = make('label', {}, box, '', region.name + (region.quiet ? ' (quiet)' : ''));
      label.insertBefore(swatch, label.lastChild);
      $('regions').append(label);
      box.addEventListener('change', () => {
        for (const node of board.querySelectorAll(`.r${index}`)) node.classList.toggle('off', !box.checked);
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
  const isShown = (f) => f.layer === null || !layerRows.has(f.layer) || layerRows.get(f.layer).copper.checked;

  // ---------------------------------------------------------------------------------------------------------- marks
  const badges = new Map();
  const wayPath = (points) => `M${points.map(([x, y]) => `${plain(x * MM, 1)} ${plain(-y * MM, 1)}`).join('L')}`;
  const wayGroup = (f) => {
    const group = draw('g', { class: 'way-group', 'data-id': f.id });
    const [x, y] = [f.at_mm[0] * MM, -f.at_mm[1] * MM];
    const lines = f.legs.map((leg) => [wayPath(leg.points), leg.far]);
    if (!lines.length) lines.push([`M${x - 300} ${y}a300 300 0 1 0 600 0a300 300 0 1 0-600 0`, false]);
    if (f.detour.length) {
      const d = wayPath(f.detour);
      group.append(draw('path', { d, class: 'way detour halo' }), draw('path', { d, class: 'way detour' }));
    }
    for (const [d] of lines) group.append(draw('path', { d, class: 'way halo' }));
    for (const [d, far] of lines) group.append(draw('path', { d, class: `way ${look(f)}${far ? ' far' : ''}` }));
    return group;
  };
  const badgeGroup = (f) => {
    const text = String(f.number);
    const half = Math.max(14, 7 + text.length * 5.2);
    const group = draw('g', { class: `badge ${look(f)}`, 'data-id': f.id });
    const round = f.level === 'warning' && !f.waived ? 2 : 14;
    group.append(draw('rect', { x: -half, y: -14, width: 2 * half, height: 28, rx: round }));
    const label = draw('text', { y: 5.3 });
    label.textContent = text;
    group.append(label);
    const leader = draw('line', { class: 'leader' });
    group.addEventListener('click', () => choose(f.id, { fly: false }));
    return { group, leader, half };
  };
  const buildMarks = () => {
    const marks = $('marks');
    for (const f of findings) marks.prepend(wayGroup(f));
    for (const f of findings) {
      const badge = badgeGroup(f);
      badges.set(f.id, badge);
      marks.append(badge.leader);
    }
    for (const f of [...findings].reverse()) marks.append(badges.get(f.id).group);
  };
  const TURNS = Array.from({ length: 16 }, (_, i) => Math.PI / 2 + ((i + 0.5) * Math.PI) / 8);
  const along = (f, toScreen) => { // points of the witness path, 10 pixels apart: badges keep off them
    const out = [];
    for (const leg of f.legs) {
      const points = leg.points.map(toScreen);
      for (let i = 1; i < points.length; i += 1) {
        const [[x0, y0], [x1, y1]] = [points[i - 1], points[i]];
        const count = Math.min(200, Math.ceil(Math.hypot(x1 - x0, y1 - y0) / 10));
        for (let n = 0; n <= count; n += 1) out.push([x0 + ((x1 - x0) * n) / count, y0 + ((y1 - y0) * n) / count]);
      }
    }
    return out;
  };
  const spread = (shown, toScreen, wide, high) => { // finding -> place of its badge, none over another where there is room
    const inside = ([x, y]) => x > -20 && y > -20 && x < wide + 20 && y < high + 20;
    const visible = shown.filter((f) => inside(toScreen(f.at_mm)));
    const busy = visible.length > 200 ? [] : visible.flatMap((f) => along(f, toScreen)).filter(inside).map(([x, y]) => [x, y, 2, 2]);
    return new Map(visible.map((f) => {
      const anchor = toScreen(f.at_mm);
      const { half } = badges.get(f.id);
      const spot = freeSpot(anchor, half, busy, wide, high);
      busy.push([...spot, half, 14]);
      return [f, { anchor, spot }];
    }));
  };
  const freeSpot = ([ax, ay], half, busy, wide, high) => {
    let best = [ax, ay - 26];
    let least = Infinity;
    for (const reach of [26, 40, 58, 84, 120, 170]) {
      for (const turn of TURNS) {
        const x = Math.min(Math.max(ax + (reach + half - 14) * Math.cos(turn), half + 2), wide - half - 2);
        const y = Math.min(Math.max(ay - reach * Math.sin(turn), 16), high - 16);
        let hits = Math.abs(x - ax) < half + 4 && Math.abs(y - ay) < 18 ? 1 : 0;
        for (const [bx, by, bw, bh] of busy) hits += Math.abs(bx - x) < half + bw + 2 && Math.abs(by - y) < 16 + bh ? 1 : 0;
        if (hits === 0) return [x, y];
        if (hits < least) [best, least] = [[x, y], hits];
      }
      if (busy.length > 20000) break;
    }
    return best;
  };
  const setBadge = (group, leader, { anchor, spot }, [ox, oy], k) => {
    group.setAttribute('transform', `translate(${ox + spot[0] * k} ${oy + spot[1] * k}) scale(${k})`);
    for (const [key, value] of [['x1', anchor[0]], ['x2', spot[0]]]) leader.setAttribute(key, ox + value * k);
    for (const [key, value] of [['y1', anchor[1]], ['y2', spot[1]]]) leader.setAttribute(key, oy + value * k);
  };
  const placeBadges = (k) => {
    const { wide, high } = size();
    const toScreen = ([x, y]) => [(x * MM - view.x) / k, (-y * MM - view.y) / k];
    const order = chosen ? [chosen, ...findings.filter((f) => f !== chosen)] : findings;
    const placed = spread(order.filter((f) => isShown(f) && (!f.filtered || f === chosen)), toScreen, wide, high);
    for (const f of findings) {
      const { group, leader } = badges.get(f.id);
      group.classList.toggle('off', !placed.has(f));
      leader.classList.toggle('off', !placed.has(f));
      if (placed.has(f)) setBadge(group, leader, placed.get(f), [view.x, view.y], k);
    }
  };

  // ----------------------------------------------------------------------------------------------------------- list
  const entries = new Map();
  const buildList = () => {
    for (const f of findings) {
      const sign = make('span', { class: `sign ${look(f)}`, title: f.waived ? `waived ${f.level}` : f.level }, String(f.number));
      const about = make('b', {}, f.subject);
      const tags = [f.rule, f.layer ?? '', f.waived ? 'waived' : '', f.known ? 'known' : ''].filter(Boolean).join(', ');
      const facts = make('span', {}, `${tags}; ${[place(f.at_mm), f.figures].filter(Boolean).join(' ')}`);
      const button = make('button', { type: 'button', class: 'entry', 'aria-expanded': 'false' }, sign, make('span', { style: 'color:inherit' }, about, facts));
      const item = make('li', { 'data-id': f.id }, button);
      $('list').append(item);
      entries.set(f.id, item);
      f.words = [f.id, f.rule, f.message, f.layer ?? '', f.hint ?? '', ...f.nets, ...f.components, ...f.regions].join(' ').toLowerCase();
      button.addEventListener('click', () => choose(f.id, { fly: true }));
    }
    for (const rule of new Set(findings.map((f) => f.rule))) $('rule-filter').append(make('option', { value: rule }, rule));
    for (const layer of data.layers) {
      if (findings.some((f) => f.layer === layer.id)) $('layer-filter').append(make('option', { value: layer.id }, layer.id));
    }
  };
  const filter = () => {
    const words = $('search').value.toLowerCase().split(/\s+/).filter(Boolean);
    const levels = new Set([...document.querySelectorAll('[name=level]:checked')].map((box) => box.value));
    const [rule, layer] = [$('rule-filter').value, $('layer-filter').value];
    let count = 0;
    for (const f of findings) {
      const fits = levels.has(f.level) && (!f.waived || $('with-waived').checked) && (!f.known || $('with-known').checked)
        && (!rule || f.rule === rule) && (!layer || f.layer === layer) && words.every((word) => f.words.includes(word));
      f.filtered = !fits;
      entries.get(f.id).hidden = !fits;
      count += fits ? 1 : 0;
    }
    $('listed').textContent = findings.length ? `${count} of ${findings.length} findings` : 'no findings';
    show();
  };
  const said = (value) => {
    if (Array.isArray(value)) return value.map(said).join(', ');
    if (value !== null && typeof value === 'object') return Object.entries(value).map(([k, v]) => `${k} ${said(v)}`).join('; ');
    return typeof value === 'number' ? plain(value) : String(value ?? 'none');
  };
  const facts = (f) => {
    const list = make('dl');
    const add = (name, value) => value !== '' && list.append(make('dt', {}, name), make('dd', {}, value));
    add('where', `${f.layer ?? 'board'} ${place(f.at_mm)}`);
    add('reference', f.reference_layers.join(', '));
    add('measured', f.measurement);
    add('limit', f.requirement);
    add('regions', f.regions.join(', '));
    add('parts', f.components.join(', '));
    for (const [key, value] of Object.entries(f.detail)) if (!ELSEWHERE.has(key)) add(LABELS[key] ?? key.replaceAll('_', ' '), said(value));
    add('drawn at', f.sources);
    add('id', f.id);
    return list;
  };
  const storyOf = (f) => {
    const box = make('div', { class: 'story' }, make('p', {}, f.message));
    if (f.hint) box.append(make('p', { class: 'hint' }, f.hint));
    if (f.waived) box.append(make('p', {}, `Waived: ${f.waived.reason}${f.waived.until ? `, until ${f.waived.until}` : ''}`));
    box.append(facts(f));
    const manual = data.manuals[f.rule];
    if (manual) {
      const more = make('details', {}, make('summary', {}, `About ${f.rule}`));
      for (const [name, words] of Object.entries(manual)) if (words) more.append(make('p', {}, make('b', {}, `${name}: `), words));
      box.append(more);
    }
    return box;
  };
  const choose = (id, { fly }) => {
    const f = byId.get(id);
    if (!f) return;
    unchoose();
    chosen = f;
    const item = entries.get(id);
    item.hidden = false;
    item.classList.add('chosen');
    item.firstChild.setAttribute('aria-expanded', 'true');
    item.append(storyOf(f));
    const room = $('list').parentNode.clientHeight - $('filters').offsetHeight;
    item.style.scrollMarginTop = `${$('filters').offsetHeight}px`; // the filters stay on top of the list
    item.scrollIntoView({ block: item.offsetHeight > room ? 'start' : 'nearest' });
    if (f.layer !== null && !isShown(f)) viewLayer(f.layer);
    for (const node of $('marks').querySelectorAll(`[data-id="${id}"]`)) node.classList.add('chosen-mark');
    for (const node of board.querySelectorAll('[data-net]')) node.classList.toggle('lit', f.nets.includes(node.dataset.net));
    if (decodeURIComponent(location.hash.slice(1)) !== id) history.replaceState(null, '', `#${id}`);
    if (fly) flyTo(framed(...around(f), 1));
    else show();
  };
  const unchoose = () => {
    if (!chosen) return;
    const item = entries.get(chosen.id);
    item.classList.remove('chosen');
    item.hidden = Boolean(chosen.filtered);
    item.firstChild.setAttribute('aria-expanded', 'false');
    item.querySelector('.story')?.remove();
    for (const node of $('marks').querySelectorAll('.chosen-mark')) node.classList.remove('chosen-mark');
    for (const node of board.querySelectorAll('[data-net]')) node.classList.add('lit');
    chosen = null;
  };
  const neighbour = (step) => {
    const listed = findings.filter((f) => !f.filtered);
    if (!listed.length) return;
    const index = chosen ? listed.indexOf(chosen) : -1;
    const next = index < 0 ? (step > 0 ? 0 : listed.length - 1) : Math.min(Math.max(index + step, 0), listed.length - 1);
    choose(listed[next].id, { fly: true });
  };
  const fromAddress = () => {
    const id = decodeURIComponent(location.hash.slice(1));
    if (id && byId.has(id)) choose(id, { fly: true });
  };

  // ---------------------------------------------------------------------------------------- doubts, checks, remarks
  const buildFacts = () => {
    const open = report.doubts.filter((doubt) => !doubt.accepted);
    const from = (doubt) => (doubt.file ? `${doubt.file}${doubt.line === null ? '' : `:${doubt.line}`}: ` : '');
    const item = (doubt) => make('li', {}, make('b', {}, from(doubt) + doubt.what), make('br'), doubt.why);
    if (open.length) {
      $('doubts').append(make('h2', {}, `Incomplete: ${open.length} open ${open.length === 1 ? 'doubt' : 'doubts'}`), make('ul', {}, ...open.map(item)));
    }
    const section = (title, items) => items.length && $('facts').append(make('details', {}, make('summary', {}, title), make('ul', {}, ...items)));
    const accepted = report.doubts.filter((doubt) => doubt.accepted);
    section(`Accepted doubts (${accepted.length})`, accepted.map((d) => make('li', {}, `${from(d)}${d.what}: ${d.accepted.reason}${d.accepted.until ? `, until ${d.accepted.until}` : ''}`)));
    section(`Checks (${report.checks.length})`, report.checks.map((c) => make('li', {}, `${c.rule}: ${c.ran ? 'ran' : 'did not run'}${c.why ? `; ${c.why}` : ''}`)));
    section(`Remarks (${report.remarks.length})`, report.remarks.map((r) => make('li', {}, `${r.what}: ${r.why}`)));
    section(`Files (${report.input.files.length})`, report.input.files.map((f) => make('li', {}, `${f.path} ${f.layer ?? ''} ${f.function}`, make('br'), make('code', {}, f.sha256.slice(0, 16)))));
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
  board.addEventListener('click', (event) => {
    if (!measuring || moved > 3) return;
    ruler = ruler.length === 1 ? [ruler[0], worldAt(event)] : [worldAt(event)];
    drawRuler(grain());
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
    ruler = [];
    board.classList.toggle('measuring', on);
    $('measure-button').setAttribute('aria-pressed', String(on));
    $('length').textContent = on ? 'click two points' : '';
    drawRuler(grain());
  };
  const drawRuler = (k, loose) => {
    const points = loose ? [...ruler, loose] : ruler;
    $('ruler').replaceChildren(...points.map(([x, y]) => draw('circle', { cx: x, cy: y, r: 4 * k })));
    if (points.length < 2) return;
    const [[x0, y0], [x1, y1]] = points;
    $('ruler').prepend(draw('line', { x1: x0, y1: y0, x2: x1, y2: y1 }));
    const [dx, dy] = [(x1 - x0) / MM, (y0 - y1) / MM];
    $('length').textContent = `${Math.hypot(dx, dy).toFixed(3)} mm (dx ${dx.toFixed(3)}, dy ${dy.toFixed(3)})`;
  };

  // ----------------------------------------------------------------------------------------------- keys and buttons
  const pan = (dx, dy) => { view.x += dx * view.w * 0.1; view.y += dy * view.w * 0.1; show(); };
  const turnTheme = () => document.documentElement.classList.toggle('dark');
  const keys = {
    j: () => neighbour(1), k: () => neighbour(-1), f: fit, m: () => setMeasuring(!measuring), t: turnTheme,
    '+': () => zoom(1 / 1.3), '=': () => zoom(1 / 1.3), '-': () => zoom(1.3),
    '/': () => $('search').focus(), '?': () => $('help').showModal(),
  };
  const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
  document.addEventListener('keydown', (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey || $('help').open) return;
    if (event.key === 'Escape') {
      if (measuring) setMeasuring(false);
      else if (document.activeElement === $('search')) $('search').blur();
      return;
    }
    if (/^(input|select|textarea)$/i.test(event.target.tagName) && event.target.type !== 'checkbox') return;
    if (arrows[event.key] && (document.activeElement === board || document.activeElement === document.body)) pan(...arrows[event.key]);
    else if (keys[event.key]) keys[event.key]();
    else return;
    event.preventDefault();
  });
  $('filters').addEventListener('submit', (event) => event.preventDefault());
  $('filters').addEventListener('input', filter);
  $('fit-button').addEventListener('click', fit);
  $('in-button').addEventListener('click', () => zoom(1 / 1.3));
  $('out-button').addEventListener('click', () => zoom(1.3));
  $('measure-button').addEventListener('click', () => setMeasuring(!measuring));
  $('theme-button').addEventListener('click', turnTheme);
  $('help-button').addEventListener('click', () => $('help').showModal());
  $('print-button').addEventListener('click', () => window.print());
  window.addEventListener('hashchange', fromAddress);
  new ResizeObserver(() => show()).observe(board);

  // ---------------------------------------------------------------------------------------------------------- print
  const cut = (path, [x0, y0, x1, y1]) => {
    const slack = Number(path.getAttribute('stroke-width') ?? 0) / 2;
    const kept = piecesOf(path).filter((p) => p.x0 - slack <= x1 && p.x1 + slack >= x0 && p.y0 - slack <= y1 && p.y1 + slack >= y0);
    if (!kept.length) return null;
    const copy = path.cloneNode(false);
    copy.setAttribute('d', kept.map((p) => `M${p.text}`).join(''));
    return copy;
  };
  const wantedGroups = (layer) => {
    if (!layer) return [...$('world').children].filter((g) => !g.dataset.layer);
    const main = layer.references[0] ?? layer.id;
    const wanted = (g) => !g.dataset.layer || (g.classList.contains('copper') ? g.dataset.layer === layer.id : [main, layer.id].includes(g.dataset.layer));
    return [...$('world').children].filter(wanted);
  };
  let drawings = 0;
  const cutout = ([x0, y0, x1, y1], layer, lit) => { // a drawing of a window of the board, with copper outside left away
    drawings += 1;
    const prefix = `print${drawings}-`;
    const k = (x1 - x0) / 680; // micrometres to a printed pixel
    const svg = draw('svg', { viewBox: `${x0} ${-y1} ${x1 - x0} ${y1 - y0}` });
    const [defs, world] = [draw('defs'), draw('g', { transform: 'scale(1,-1)' })];
    for (const pattern of board.querySelectorAll('pattern')) {
      const own = pattern.cloneNode(true);
      own.id = prefix + pattern.id;
      own.setAttribute('patternTransform', `scale(${k}) rotate(${pattern.dataset.angle})`);
      defs.append(own);
    }
    for (const group of wantedGroups(layer)) {
      const copy = group.cloneNode(false);
      copy.classList.remove('off');
      copy.classList.toggle('own', copy.classList.contains('pours') && layer?.references[0] !== undefined && layer.references[0] !== copy.dataset.layer);
      for (const path of group.querySelectorAll('path')) {
        const part = cut(path, [x0, y0, x1, y1]);
        if (!part) continue;
        part.classList.remove('off');
        if (part.dataset.net) part.classList.toggle('lit', lit.includes(part.dataset.net));
        const fill = part.getAttribute('fill') ?? '';
        if (fill.startsWith('url(#')) part.setAttribute('fill', `url(#${prefix}${fill.slice(5)}`);
        copy.append(part);
      }
      world.append(copy);
    }
    svg.append(defs, world);
    return { svg, k };
  };
  const layerOf = (f) => data.layers.find((known) => known.id === f.layer) ?? data.layers[0];
  const printed = (f) => {
    const [x0, y0, x1, y1] = around(f);
    const ratio = 1.52;
    const w = Math.max(x1 - x0, (y1 - y0) * ratio);
    const [cx, cy] = [(x0 + x1) / 2, (y0 + y1) / 2];
    const window_ = [cx - w / 2, cy - w / ratio / 2, cx + w / 2, cy + w / ratio / 2];
    const { svg, k } = cutout(window_, layerOf(f), f.nets);
    svg.append(wayGroup(f), ...printScale(window_, w, k));
    const kind = `${f.waived ? 'waived ' : ''}${f.level}${f.known ? ', known' : ''}`;
    const caption = make('figcaption', {}, make('p', {}, make('b', {}, `${f.number}. ${f.subject}: ${f.rule}`), ` (${kind})`), make('p', {}, f.message));
    if (f.hint) caption.append(make('p', {}, `To do: ${f.hint}`));
    if (f.waived) caption.append(make('p', {}, `Waived: ${f.waived.reason}`));
    caption.append(facts(f), make('p', { class: 'caution' }, report.caution));
    return make('figure', { 'data-id': f.id }, svg, caption);
  };
  const overview = (layer, listed) => {
    const shown = listed.filter((f) => f.layer === layer.id || f.layer === null);
    const pad = Math.max(bx1 - bx0, by1 - by0) * 0.02;
    const window_ = [bx0 - pad, by0 - 3 * pad, bx1 + pad, by1 + pad]; // room for the scale below
    const { svg, k } = cutout(window_, layer, shown.flatMap((f) => f.nets));
    const toScreen = ([x, y]) => [(x * MM - window_[0]) / k, (-y * MM + window_[3]) / k];
    const placed = spread(shown, toScreen, 680, (window_[3] - window_[1]) / k);
    for (const f of [...shown].reverse()) svg.append(wayGroup(f));
    for (const [f, spot] of placed) {
      const { group, leader } = badgeGroup(f);
      setBadge(group, leader, spot, [window_[0], -window_[3]], k);
      svg.append(leader, group);
    }
    svg.append(...printScale(window_, window_[2] - window_[0], k));
    const words = `Layer ${layer.id}, seen from the top; pours of ${layer.references[0] ?? layer.id}; ${shown.length} of ${listed.length} findings.`;
    return make('figure', { class: 'overview' }, svg, make('figcaption', {}, make('p', {}, words), make('p', { class: 'caution' }, report.caution)));
  };
  const printScale = (window_, w, k) => {
    const step = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 50].filter((s) => s * MM <= w / 4).pop() ?? 0.1;
    const [x, y] = [window_[2] - 16 * k, -window_[1] - 14 * k];
    const label = draw('text', { x: x - (step * MM) / 2, y: y - 8 * k, 'font-size': 13 * k, 'text-anchor': 'middle' });
    label.textContent = `${step} mm`;
    const d = `M${x - step * MM} ${y - 5 * k}V${y}H${x}V${y - 5 * k}`;
    return [draw('path', { d, class: 'edge' }), label];
  };
  const buildPrints = () => {
    const listed = findings.filter((f) => !f.filtered);
    const called = data.layers.filter((layer) => listed.some((f) => f.layer === layer.id));
    const summary = make('div', { class: 'summary' });
    const open = report.doubts.filter((doubt) => !doubt.accepted);
    if (open.length) summary.append(make('h2', {}, 'Open doubts'), make('ul', {}, ...open.map((d) => make('li', {}, `${d.what}: ${d.why}`))));
    if (!listed.length) summary.append(make('p', {}, 'No findings listed.'));
    const rows = listed.map((f) => make('tr', {}, ...[f.number, f.waived ? 'waived' : f.level, f.rule, f.subject, f.layer ?? '', place(f.at_mm), f.figures].map((cell) => make('td', {}, String(cell)))));
    if (rows.length) summary.append(make('table', {}, make('tbody', {}, ...rows)));
    if (listed.length > MOST_PRINTED) summary.append(make('p', {}, `Pictures: the first ${MOST_PRINTED} of ${listed.length} findings.`));
    $('prints').replaceChildren(summary, ...called.map((layer) => overview(layer, listed)), ...listed.slice(0, MOST_PRINTED).map(printed));
  };
  window.addEventListener('beforeprint', buildPrints);
  window.addEventListener('afterprint', () => $('prints').replaceChildren());

  // ---------------------------------------------------------------------------------------------------------- start
  if (matchMedia('(prefers-color-scheme: dark)').matches) document.documentElement.classList.add('dark');
  if (matchMedia('(max-width: 900px)').matches) $('switches').open = false; // it would hide most of the board
  buildSwitches();
  buildMarks();
  buildList();
  buildFacts();
  const first = findings.find((f) => f.layer !== null);
  viewLayer(first?.layer ?? data.layers.find((layer) => layer.signals)?.id ?? data.layers[0]?.id);
  filter();
  Object.assign(view, framed(bx0, by0, bx1, by1, 1.06));
  show();
  fromAddress();
  whenIdle(buildGrid);
  board.dataset.ready = 'yes';
})();
