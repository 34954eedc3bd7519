import { Chart, lowHz, highHz } from './chart.js';

const $ = (id) => document.getElementById(id);
const chart = new Chart($('chart'), (text) => setText($('reading'), text));

let next = null; // step that was to come when the page was told last
let fresh = false, helped = false; // nothing is there to measure with; who asks sees how
let curve = null, frozen = null, watched = false, running = false, told = 0;

// setText leaves alone what would not change, so that a screen reader is silent.
function setText(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

function make(name, properties, ...children) {
  const e = Object.assign(document.createElement(name), properties);
  e.append(...children);
  return e;
}

function level(i, input) {
  const db = input.peak > 0 ? Math.max(20 * Math.log10(input.peak), -60) : -60;
  const meter = $(`input${i}`);
  if (Math.abs(meter.value - db) > 0.3) meter.value = db;
  setText($(`says${i}`), input.clipped ? 'CLIPS' : db > -60 ? `${db.toFixed(0)} dB` : 'no sound');
}

function onMoment(m) {
  const steady = m.state === 'steady';
  if (m.curve) {
    const { frequency_hz, resistance_ohm: r, reactance_ohm: x } = m.curve;
    curve = { frequency_hz, modulus_ohm: r.map((v, i) => Math.hypot(v, x[i])), phase_degree: r.map((v, i) => Math.atan2(x[i], v) * 180 / Math.PI) };
  } else if (m.state === 'fault' || m.state === 'unset') {
    curve = null;
  }
  const verdict = $('verdict');
  setText(verdict, m.says ?? m.fault?.text ?? m.state);
  const look = steady ? (m.doubt ? 'bad' : '') : m.state === 'fault' ? 'bad' : 'unsteady';
  if (verdict.className !== look) verdict.className = look;
  setText($('detail'), m.detail ?? m.fault?.advice ?? '');
  chart.show(curve, steady);
  (m.inputs ?? []).forEach((input, i) => level(i + 1, input));
  watched = Boolean(m.cable);
  $('hold').setAttribute('aria-pressed', String(watched));
  setText($('contact'), m.cable ?? '');
  const warnings = (m.warnings ?? []).map((w) => w.text);
  if (warnings.join('\n') !== [...$('warnings').children].map((li) => li.textContent).join('\n')) {
    $('warnings').replaceChildren(...warnings.map((text) => make('li', { textContent: text })));
  }
  if (performance.now() - told > 1000) { // numbers that people read hold still for a second
    told = performance.now();
    compare(steady);
    if ($('rows').closest('details').open) table();
  }
}

// compare says how the curve differs from the frozen one.
function compare(steady) {
  let said = '';
  if (frozen && !(curve && steady)) said = 'The curve is frozen; what is plugged in is compared with it once it is steady.';
  else if (frozen && String(frozen.frequency_hz) !== String(curve.frequency_hz)) said = 'The frozen curve has other frequencies; freeze one anew.';
  else if (frozen) {
    const at = curve.frequency_hz.map((hz, i) => [hz, curve.modulus_ohm[i] / frozen.modulus_ohm[i] - 1]).filter(([hz]) => hz >= lowHz && hz <= highHz);
    const [hz, by] = at.reduce((most, one) => Math.abs(one[1]) > Math.abs(most[1]) ? one : most);
    const usual = at.map(([, d]) => Math.abs(d)).sort((a, b) => a - b)[at.length >> 1];
    const percent = (part) => 100 * part < 0.1 ? 'less than 0.1 %' : `${100 * part >= 100 ? (100 * part).toFixed(0) : +(100 * part).toPrecision(2)} %`;
    said = Math.abs(by) < 1e-3 ? 'The same as the frozen curve, within 0.1 %.'
      : `${percent(Math.abs(by))} ${by < 0 ? 'lower' : 'higher'} than the frozen curve at ${hz >= 1000 ? `${+(hz / 1000).toPrecision(3)} kHz` : `${+hz.toPrecision(3)} Hz`}, where it differs most; usually by ${percent(usual)}.`;
  }
  setText($('compared'), said);
}

function table() {
  if (!curve) return $('rows').replaceChildren();
  $('rows').replaceChildren(...curve.frequency_hz.map((hz, i) => make('tr', {},
    make('td', { textContent: hz.toPrecision(3) }), make('td', { textContent: curve.modulus_ohm[i].toPrecision(3) }),
    make('td', { textContent: curve.phase_degree[i].toFixed(0) }))));
}

function onStand(s) {
  setText($('title'), s.title);
  document.title = `${s.title}: at the bench`;
  $('facts').replaceChildren(...(s.facts ?? []).map((text) => make('li', { textContent: text })));
  setText($('caution'), s.caution);
  chart.setTaps(s.taps_ohm ?? []);
  fresh = s.first;
  first();
  steps(s.steps ?? []);
  $('history').replaceChildren(...(s.history ?? []).map((e) => make('li', {}, `${e.when} `,
    make('a', { href: `entry/${encodeURIComponent(e.name)}`, target: '_blank', textContent: e.says }))));
}

// first shows the page of a first measurement in the place of the curve. Its pictures
// have styles in them, which this page takes from its own files alone: they become
// images.
async function first() {
  const wanted = fresh || helped;
  $('is').classList.toggle('first', wanted);
  $('measured').hidden = wanted;
  $('first').hidden = !wanted;
  $('help').hidden = fresh;
  $('help').setAttribute('aria-pressed', String(helped));
  if (!wanted || $('first').firstChild) return;
  try {
    const page = new DOMParser().parseFromString(await (await fetch('first')).text(), 'text/html');
    for (const svg of page.querySelectorAll('svg')) {
      const text = new XMLSerializer().serializeToString(svg);
      svg.replaceWith(make('img', { alt: svg.getAttribute('aria-label'), src: `data:image/svg+xml,${encodeURIComponent(text)}` }));
    }
    $('first').replaceChildren(make('h2', { textContent: page.title }), page.querySelector('.lead'), ...page.querySelector('main').children);
  } catch {
    // It is tried again when the program tells where the work stands.
  }
}

// steps draws the steps anew, and keeps which are open, what was typed and where
// the cursor is. What comes next is open where nothing else is.
function steps(list) {
  const open = new Set([...document.querySelectorAll('.step[open]')].map((d) => d.id));
  const typed = new Map([...document.querySelectorAll('.step [name]')].filter((f) => f.value !== f.dataset.given).map((f) => [f.id, f.value]));
  const focus = document.activeElement?.id;
  const was = next;
  next = list.find((step) => step.next)?.name;
  if (next && next !== was && !list.some((step) => open.has(`step-${step.name}`))) open.add(`step-${next}`);
  $('steps').replaceChildren(...list.map((step) => {
    const form = make('form', { id: `form-${step.name}` });
    for (const field of step.fields ?? []) {
      const id = `${step.name}-${field.name}`;
      const input = field.choices?.length
        ? make('select', { id, name: field.name }, ...field.choices.map((c) => make('option', { value: c, textContent: c })))
        : make('input', { id, name: field.name, autocomplete: 'off' });
      input.required = field.required;
      input.value = typed.get(id) ?? field.value;
      input.dataset.given = field.value;
      form.append(make('label', { htmlFor: id, textContent: field.says }), input);
    }
    if (step.button) {
      const button = make('button', { id: `do-${step.name}`, textContent: step.button, disabled: running || step.why_not !== '' });
      button.dataset.barred = step.why_not;
      form.append(make('p', {}, button));
    }
    form.addEventListener('submit', (event) => {
      event.preventDefault();
      post(`do/${step.name}`, new URLSearchParams(new FormData(form)));
    });
    const details = make('details', { id: `step-${step.name}`, name: 'step', className: 'step', open: open.has(`step-${step.name}`) },
      make('summary', { id: `title-${step.name}` }, make('span', { textContent: step.title }), ...(step.next ? [make('span', { className: 'next', textContent: 'next' })] : [])),
      make('p', { textContent: step.says }));
    if (step.ticks?.length) details.append(make('ul', { id: `ticks-${step.name}`, className: 'ticks' }, ...ticks(step.ticks)));
    if (step.why_not) details.append(make('p', { className: 'why', textContent: step.why_not }));
    details.append(form);
    return details;
  }));
  if (focus) $(focus)?.focus();
}

function ticks(list) {
  return list.map((t) => make('li', { textContent: `${t.done ? '✓ done' : '– to do'}: ${t.says}` }));
}

function onWorking(w) {
  const began = w.running && !running, ended = running && !w.running;
  running = w.running;
  const title = $(`title-${w.step}`)?.firstChild.textContent ?? w.step;
  setText($('work'), w.running ? `${title}: ${w.says || 'begun'}` : w.says);
  $('work').className = w.running || w.ok ? '' : 'bad';
  const [on, id] = [document.activeElement, document.activeElement?.id];
  if (began || ended) { // nothing is watched while a step is done, and what was seen may be gone
    setText($('verdict'), began ? 'measuring' : 'settling');
    setText($('detail'), '');
    $('verdict').className = 'unsteady';
    chart.show(curve, false);
  }
  if (w.running) w.peaks.forEach((peak, i) => level(i + 1, { peak, clipped: peak >= 1 }));
  if (w.ticks) $(`ticks-${w.step}`)?.replaceChildren(...ticks(w.ticks));
  $('stop').hidden = !w.running;
  $('progress').hidden = !w.running || w.percent === null;
  if (w.percent !== null) $('progress').value = w.percent;
  setText($('percent'), w.running && w.percent !== null ? `${w.percent} %` : '');
  for (const button of document.querySelectorAll('.step form button')) {
    button.disabled = w.running || button.dataset.barred !== '';
  }
  $('answers').replaceChildren(...(w.answers ?? []).map((n, i) => make('a', {
    id: `answer-${n}`, href: `answer/${n}`, target: '_blank', textContent: i ? `Open page ${i + 1}` : 'Open its page',
  })));
  // Who works by keyboard stays where it goes on: at Stop, and then at the answer, or
  // in what comes next where the step is done once and for all.
  if (began && (on === document.body || id === `do-${w.step}`)) $('stop').focus();
  const done = ended && !$(`title-${w.step}`) && document.querySelector('.step[open] [name]');
  if (ended && id === 'stop') (done || $('answers').firstChild || $(`title-${w.step}`))?.focus();
}

async function post(path, body) {
  try {
    const response = await fetch(path, { method: 'POST', body });
    if (!response.ok) refused((await response.text()).trim());
  } catch {
    refused('the program does not answer; is it still running?');
  }
}

function refused(why) {
  setText($('work'), why);
  $('work').className = 'bad';
}

// Sound stops when nobody listens: a page that is not seen lets go of the stream,
// of which a browser has six to a host.
let source = null;
function listen() {
  if (document.hidden) {
    source?.close();
    source = null;
    return;
  }
  if (source) return;
  source = new EventSource('events');
  source.addEventListener('moment', (e) => onMoment(JSON.parse(e.data)));
  source.addEventListener('stand', (e) => onStand(JSON.parse(e.data)));
  source.addEventListener('working', (e) => onWorking(JSON.parse(e.data)));
  source.onerror = () => {
    setText($('verdict'), 'the program does not answer');
    setText($('detail'), 'If it was ended, start it again and use the page that it opens: each start has an address of its own, and this page does not come back. If it still runs, this page goes on by itself.');
    $('verdict').className = 'bad';
    chart.show(curve = null, false);
    [1, 2].forEach((i) => level(i, { peak: 0, clipped: false }));
  };
}
document.addEventListener('visibilitychange', listen);
window.addEventListener('pagehide', () => source?.close());

$('freeze').addEventListener('click', () => {
  frozen = frozen ? null : curve;
  chart.freeze(frozen);
  told = 0;
  $('freeze').setAttribute('aria-pressed', String(frozen !== null));
});
$('hold').addEventListener('click', () => post(watched ? 'hold/off' : 'hold/on'));
$('help').addEventListener('click', () => {
  helped = !helped;
  first();
  $('is').scrollIntoView(); // which a telephone has far above
});
$('stop').addEventListener('click', () => post('stop'));
$('rows').closest('details').addEventListener('toggle', table);
listen();
