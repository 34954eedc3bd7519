// The impedance as a picture: |Z| over frequency, both logarithmic, with the
// amplifier's taps as bands, and the phase below. It is laid out anew for the
// room there is, so that its text keeps its size on a phone.

const space = 'http://www.w3.org/2000/svg';
export const lowHz = 20, highHz = 20000;

function element(name, attributes, text) {
  const e = document.createElementNS(space, name);
  for (const [key, value] of Object.entries(attributes)) e.setAttribute(key, value);
  if (text !== undefined) e.textContent = text;
  return e;
}

export class Chart {
  constructor(svg, say) {
    this.svg = svg;
    this.say = say;
    this.taps = [];
    this.at = -1;
    new ResizeObserver(() => this.layOut()).observe(svg);
    svg.addEventListener('keydown', (event) => this.read(event));
    svg.addEventListener('pointermove', (event) => this.point(event));
    svg.addEventListener('pointerdown', (event) => this.point(event));
  }

  // show draws a curve of frequency_hz, modulus_ohm and phase_degree; null leaves
  // none.
  show(curve, steady) {
    this.curve = curve;
    this.svg.classList.toggle('unsteady', !steady);
    if (curve && this.reaches(curve)) this.layOut();
    this.draw();
  }

  setTaps(ohms) {
    if (String(ohms) === String(this.taps)) return;
    this.taps = ohms;
    if (this.curve) this.reaches(this.curve);
    this.layOut();
  }

  freeze(curve) {
    this.frozen = curve;
    this.draw();
  }

  // reaches reports whether the ohm axis has to change for a curve, and changes
  // it in steps, so that it does not jump about.
  reaches(curve) {
    const steps = [0.01, 0.1, 1, 10, 100, 1000, 10000, 100000];
    const all = curve.modulus_ohm.concat(this.frozen ? this.frozen.modulus_ohm : [], this.taps);
    const low = Math.min(...all), high = Math.max(...all);
    const from = steps.findLast((s) => s <= low * 1.02) ?? steps[0];
    const to = steps.find((s) => s >= high / 1.02) ?? steps.at(-1);
    if (from === this.low && to === this.high) return false;
    [this.low, this.high] = [from, Math.max(to, from * 10)];
    return true;
  }

  layOut() {
    const { width, height } = this.svg.getBoundingClientRect();
    if (!width || !height) return;
    this.low ??= 1;
    this.high ??= 100;
    const narrow = width < 480;
    // The taps have their names beside the picture, where no curve runs through them.
    const names = this.taps.map((tap) => narrow ? `${tap} ohm` : `${tap} ohm tap`);
    const beside = Math.max(10, ...names.map((name) => 8.3 * name.length + 8));
    const left = 46, right = width - beside, top = 8, bottom = height - 22, gap = 22;
    const middle = top + (bottom - top) * 0.68;
    this.x = (hz) => left + (right - left) * Math.log(hz / lowHz) / Math.log(highHz / lowHz);
    this.y = (ohm) => middle - gap - (middle - gap - top) * Math.log(ohm / this.low) / Math.log(this.high / this.low);
    this.phaseY = (degree) => (middle + bottom) / 2 - (bottom - middle) / 2 * degree / 90;
    this.edges = { left, right, top, bottom };
    const parts = [];
    for (const tap of this.taps) {
      const [from, to] = [Math.min(tap / 0.8, this.high), Math.max(tap * 0.8, this.low)];
      if (from > to) parts.push(element('rect', { class: 'band', x: left, width: right - left, y: this.y(from), height: this.y(to) - this.y(from) }));
    }
    let grid = '';
    for (let decade = 10; decade <= highHz; decade *= 10) {
      for (let n = 1; n < 10; n++) {
        const hz = decade * n;
        if (hz < lowHz || hz > highHz) continue;
        grid += `M${this.x(hz)} ${top}V${bottom}`;
        if (narrow ? n === 1 && hz < 10000 || hz === lowHz || hz === highHz : n === 1 || n === 2 || n === 5) {
          const name = hz >= 1000 ? `${hz / 1000} k` : String(hz);
          const anchor = hz === highHz ? 'end' : hz === lowHz ? 'start' : 'middle';
          parts.push(element('text', { x: this.x(hz), y: height - 6, 'text-anchor': anchor }, hz === highHz ? `${name}Hz` : name));
        }
      }
    }
    for (let decade = this.low; decade <= this.high * 1.001; decade *= 10) {
      for (let n = 1; n < 10 && decade * n <= this.high * 1.001; n++) {
        grid += `M${left} ${this.y(decade * n)}H${right}`;
        if (n === 1 || (n === 2 || n === 5) && this.high / this.low <= 100) {
          const ohm = decade * n;
          parts.push(element('text', { x: left - 5, y: this.y(ohm) + 4, 'text-anchor': 'end' }, ohm >= 1000 ? `${ohm / 1000} k` : String(+ohm.toPrecision(1))));
        }
      }
    }
    for (const degree of [-90, 0, 90]) {
      grid += `M${left} ${this.phaseY(degree)}H${right}`;
      parts.push(element('text', { x: left - 5, y: this.phaseY(degree) + (degree > 0 ? 10 : degree < 0 ? 0 : 4), 'text-anchor': 'end' }, `${degree}°`));
    }
    parts.splice(this.taps.length, 0, element('path', { class: 'grid', d: grid }));
    this.taps.forEach((tap, i) => {
      if (tap >= this.low && tap <= this.high) parts.push(element('text', { class: 'tap', x: right + 5, y: this.y(tap) + 4 }, names[i]));
    });
    parts.push(element('text', { x: left + 6, y: top + 14 }, '|Z|, ohm'), element('text', { x: left + 6, y: middle + 14 }, 'phase'));
    this.lines = {};
    for (const name of ['was', 'angle', 'z', 'cursor']) {
      this.lines[name] = element('path', { class: name });
      parts.push(this.lines[name]);
    }
    this.svg.setAttribute('viewBox', `0 0 ${width} ${height}`);
    this.svg.replaceChildren(...parts);
    this.draw();
  }

  draw() {
    if (!this.lines) return;
    const line = (curve, values, y, from, to) => curve ? curve.frequency_hz.map((hz, i) => [hz, values(curve)[i]])
      .filter(([hz]) => hz >= lowHz && hz <= highHz)
      .map(([hz, v], i) => `${i ? 'L' : 'M'}${this.x(hz).toFixed(1)} ${y(Math.min(Math.max(v, from), to)).toFixed(1)}`).join('') : '';
    const set = (name, d) => { // what stays is not painted again
      if (this.lines[name].getAttribute('d') !== d) this.lines[name].setAttribute('d', d);
    };
    set('z', line(this.curve, (c) => c.modulus_ohm, this.y, this.low, this.high));
    set('angle', line(this.curve, (c) => c.phase_degree, this.phaseY, -90, 90));
    set('was', line(this.frozen, (c) => c.modulus_ohm, this.y, this.low, this.high));
    const hz = this.curve?.frequency_hz[this.at];
    set('cursor', hz ? `M${this.x(hz)} ${this.edges.top}V${this.edges.bottom}` : '');
  }

  // read moves the cursor and says what is there.
  read(event) {
    const move = { ArrowLeft: -1, ArrowRight: 1, PageDown: -10, PageUp: 10, Home: -Infinity, End: Infinity }[event.key];
    if (!move || !this.curve) return;
    event.preventDefault();
    const inside = this.inside();
    const now = this.at < 0 ? inside[0] - 1 : this.at;
    this.tell(Math.min(Math.max(now + move, inside[0]), inside.at(-1)));
  }

  // point is read for the mouse and the finger.
  point(event) {
    if (!this.curve || !this.edges) return;
    const { left, right } = this.edges;
    const share = (event.clientX - this.svg.getBoundingClientRect().left - left) / (right - left);
    if (share < 0 || share > 1) return;
    const hz = lowHz * (highHz / lowHz) ** share;
    const off = (i) => Math.abs(Math.log(this.curve.frequency_hz[i] / hz));
    this.tell(this.inside().reduce((best, i) => off(i) < off(best) ? i : best));
  }

  // inside are the points of the curve that are on the picture.
  inside() {
    return this.curve.frequency_hz.map((hz, i) => [hz, i]).filter(([hz]) => hz >= lowHz && hz <= highHz).map(([, i]) => i);
  }

  tell(at) {
    this.at = at;
    const { frequency_hz: hz, modulus_ohm: ohm, phase_degree: phase } = this.curve;
    this.say(`${hz[this.at].toPrecision(3)} Hz: ${ohm[this.at].toPrecision(3)} ohm, ${phase[this.at].toFixed(0)}°`);
    this.draw();
  }
}
