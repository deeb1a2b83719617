// Colour, marker and dash go together, in the same order as the reports draw them.
const COLOURS = 8;
const DASHES: number[][] = [[], [7, 3], [2, 3], [9, 3, 2, 3]];
const MARKERS = 9;

export function colourName(look: number): string {
  return look < 0 ? "--ink" : `--line-${look % COLOURS}`;
}

export function dashOf(look: number): number[] {
  return look < 0 ? [] : (DASHES[Math.floor(look / COLOURS) % DASHES.length] ?? []);
}

/** Add the marker of a look at a point to a path; says whether it is filled or drawn as a line. */
export function marker(path: Path2D, look: number, x: number, y: number, s: number): boolean {
  switch (look % MARKERS) {
    case 0:
      path.moveTo(x + s, y);
      path.arc(x, y, s, 0, 2 * Math.PI);
      return true;
    case 1:
      path.rect(x - s, y - s, 2 * s, 2 * s);
      return true;
    case 2:
      path.moveTo(x, y - 1.2 * s);
      path.lineTo(x + 1.2 * s, y + 0.9 * s);
      path.lineTo(x - 1.2 * s, y + 0.9 * s);
      path.closePath();
      return true;
    case 3:
      path.moveTo(x, y - 1.3 * s);
      path.lineTo(x + 1.3 * s, y);
      path.lineTo(x, y + 1.3 * s);
      path.lineTo(x - 1.3 * s, y);
      path.closePath();
      return true;
    case 4:
      path.moveTo(x - s, y - s);
      path.lineTo(x + s, y + s);
      path.moveTo(x + s, y - s);
      path.lineTo(x - s, y + s);
      return false;
    case 5:
      path.moveTo(x - 1.2 * s, y);
      path.lineTo(x + 1.2 * s, y);
      path.moveTo(x, y - 1.2 * s);
      path.lineTo(x, y + 1.2 * s);
      return false;
    case 6:
      path.moveTo(x - s, y);
      path.lineTo(x + s, y);
      path.moveTo(x - s / 2, y - s);
      path.lineTo(x + s / 2, y + s);
      path.moveTo(x + s / 2, y - s);
      path.lineTo(x - s / 2, y + s);
      return false;
    case 7:
      path.moveTo(x + s, y);
      path.arc(x, y, s, 0, 2 * Math.PI);
      return false;
    default:
      path.moveTo(x, y + 1.2 * s);
      path.lineTo(x + 1.2 * s, y - 0.9 * s);
      path.lineTo(x - 1.2 * s, y - 0.9 * s);
      path.closePath();
      return true;
  }
}

const SVG = "http://www.w3.org/2000/svg";

/** A short piece of a line with its marker, for a key. */
export function sample(look: number): SVGSVGElement {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("viewBox", "0 0 34 14");
  svg.setAttribute("width", "34");
  svg.setAttribute("height", "14");
  svg.setAttribute("aria-hidden", "true");
  const ink = `var(${colourName(look)})`;
  const line = document.createElementNS(SVG, "path");
  line.setAttribute("d", "M1 7h32");
  line.setAttribute("stroke", ink);
  line.setAttribute("stroke-width", "2");
  if (dashOf(look).length) line.setAttribute("stroke-dasharray", dashOf(look).join(" "));
  const mark = document.createElementNS(SVG, "path");
  const pen = new Pen();
  const solid = marker(pen as unknown as Path2D, look, 17, 7, 4);
  mark.setAttribute("d", pen.text);
  mark.setAttribute("fill", solid ? ink : "none");
  mark.setAttribute("stroke", solid ? "none" : ink);
  mark.setAttribute("stroke-width", "2");
  svg.append(line, mark);
  return svg;
}

/** Writes what a Path2D would draw as SVG path data. */
class Pen {
  text = "";
  moveTo(x: number, y: number): void {
    this.text += `M${x} ${y}`;
  }
  lineTo(x: number, y: number): void {
    this.text += `L${x} ${y}`;
  }
  closePath(): void {
    this.text += "Z";
  }
  rect(x: number, y: number, w: number, h: number): void {
    this.text += `M${x} ${y}h${w}v${h}h${-w}z`;
  }
  arc(x: number, y: number, r: number): void {
    this.text += `M${x + r} ${y}a${r} ${r} 0 1 1 ${-2 * r} 0a${r} ${r} 0 1 1 ${2 * r} 0z`;
  }
}
