import { Chart } from './chart.js';

const $ = (id) => document.getElementById(id);
const chart = new Chart($('chart'), (text) => setText($('reading'), text));

let curve = null, frozen = null, holding = null, running = false;

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
  $(`input${i}`).value = db;
  setText($(`says${i}`), input.clipped ? 'CLIPS' : db > -60 ? `${db.toFixed(0)} dB` : 'no sound');
}

function onMoment(m) {
  const steady = m.state === 'steady';
  if (m.curve) {
    const { frequency_hz, resistance_ohm: r, reactance_ohm: x } = m.curve;
    curve = { frequency_hz, modulus_ohm: r.map((v, i) => Math.hypot(v, x[i])), phase_degree: r.map((v, i) => Math.atan2(x[i], v) * 180 / Math.PI) };
  } else if (m.state === 'fault') {
    curve = null;
  }
  const verdict = $('verdict');
  setText(verdict, m.says ?? m.fault?.text ?? m.state);
  verdict.className = steady ? (m.doubt ? 'bad' : '') : m.state === 'fault' ? 'bad' : 'unsteady';
  setText($('detail'), m.detail ?? m.fault?.advice ?? '');
  chart.show(curve, steady);
  (m.inputs ?? []).forEach((input, i) => level(i + 1, input));
  if (holding && m.opened) {
    const opened = m.opened.count - (holding.count ??= m.opened.count);
    const worst = m.opened.worst_ohm;
    const lowest = curve && steady ? Math.min(...curve.modulus_ohm) : NaN;
    holding.ohm = Math.min(holding.ohm, Number.isNaN(lowest) ? Infinity : lowest);
    const least = Number.isFinite(holding.ohm) ? `lowest ${holding.ohm.toPrecision(3)} ohm; ` : '';
    setText($('contact'), least + (opened === 0 ? 'no contact opened' :
      `${opened} ${opened === 1 ? 'contact' : 'contacts'} opened${worst > 0 ? `, worst ${worst.toPrecision(2)} ohm in series` : ', worst wholly open'}`));
  }
  const warnings = (m.warnings ?? []).map((w) => w.text);
  if (warnings.join('\n') !== [...$('warnings').children].map((li) => li.textContent).join('\n')) {
    $('warnings').replaceChildren(...warnings.map((text) => make('li', { textContent: text })));
  }
  if ($('rows').closest('details').open) table();
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
  $('facts').replaceChildren(...s.facts.map((text) => make('li', { textContent: text })));
  chart.setTaps(s.taps_ohm ?? []);
  steps(s.steps ?? []);
  $('history').replaceChildren(...(s.history ?? []).map((e) => make('li', {}, `${e.when} `,
    make('a', { href: `entry/${encodeURIComponent(e.name)}`, target: '_blank', textContent: e.says }))));
}

// steps draws the steps anew, and keeps which are open, what was typed and where
// the cursor is.
function steps(list) {
  const open = new Set([...document.querySelectorAll('.step[open]')].map((d) => d.id));
  const typed = new Map([...document.querySelectorAll('.step [name]')].filter((f) => f.value !== f.dataset.given).map((f) => [f.id, f.value]));
  const focus = document.activeElement?.id;
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
      make('summary', { id: `title-${step.name}`, textContent: step.title }), make('p', { textContent: step.says }));
    if (step.ticks?.length) {
      details.append(make('ul', { className: 'ticks' }, ...step.ticks.map((t) => make('li', { textContent: `${t.done ? '✓ done' : '– to do'}: ${t.says}` }))));
    }
    if (step.why_not) details.append(make('p', { className: 'why', textContent: step.why_not }));
    details.append(form);
    return details;
  }));
  if (focus) $(focus)?.focus();
}

function onWorking(w) {
  running = w.running;
  const title = $(`title-${w.step}`)?.textContent ?? w.step;
  setText($('work'), w.running ? `${title}: ${w.says || 'begun'}` : w.says);
  if (w.running) { // nothing is watched meanwhile, and what was seen may be gone
    setText($('verdict'), 'measuring');
    setText($('detail'), '');
    $('verdict').className = 'unsteady';
    chart.show(curve, false);
  }
  $('stop').hidden = !w.running;
  for (const button of document.querySelectorAll('.step form button')) {
    button.disabled = w.running || button.dataset.barred !== '';
  }
  $('answers').replaceChildren(...(w.answers ?? []).map((n, i) => make('a', {
    id: `answer-${n}`, href: `answer/${n}`, target: '_blank', textContent: i ? `Open page ${i + 1}` : 'Open the page of it',
  })));
}

async function post(path, body) {
  try {
    const response = await fetch(path, { method: 'POST', body });
    if (!response.ok) setText($('work'), (await response.text()).trim());
  } catch {
    setText($('work'), 'the program does not answer; is it still running?');
  }
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
    setText($('detail'), 'It was ended, or is starting again. This page comes back by itself when it does.');
    $('verdict').className = 'unsteady';
  };
}
document.addEventListener('visibilitychange', listen);
window.addEventListener('pagehide', () => source?.close());

$('freeze').addEventListener('click', () => {
  frozen = frozen ? null : curve;
  chart.freeze(frozen);
  $('freeze').setAttribute('aria-pressed', String(frozen !== null));
});
$('hold').addEventListener('click', () => {
  holding = holding ? null : { ohm: Infinity };
  $('hold').setAttribute('aria-pressed', String(holding !== null));
  setText($('contact'), '');
});
$('stop').addEventListener('click', () => post('stop'));
$('rows').closest('details').addEventListener('toggle', table);
listen();
