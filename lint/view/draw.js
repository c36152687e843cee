// What the graphics card does: the part as plaster, patches hatched in ink, cut faces lined, and lines drawn over it.

const PART_POINTS = `#version 300 es
precision highp float;
layout(location = 0) in vec3 position;
layout(location = 1) in vec3 normal;
layout(location = 2) in uvec2 mark;
layout(location = 3) in float value;
uniform mat4 toEye, toScreen;
out vec3 spot, eyeSpot, eyeNormal;
out float amount;
flat out uvec2 ink;
void main() {
  spot = position;
  vec4 e = toEye * vec4(position, 1.0);
  eyeSpot = e.xyz;
  eyeNormal = mat3(toEye) * normal;
  amount = value;
  ink = mark;
  gl_Position = toScreen * e;
}`;

const PART_DOTS = `#version 300 es
precision highp float;
in vec3 spot, eyeSpot, eyeNormal;
in float amount;
flat in uvec2 ink;
uniform vec3 plaster, pencil, board, eye, boxLow, boxHigh;
uniform vec4 cut;
uniform float pixel, bandWidth, cutStep, hand, faded;
uniform int solid, valued, boxed;
out vec4 colour;

float stripe(float at, float pitch, float width) {
  return 1.0 - smoothstep(width - 0.6, width + 0.6, abs(mod(at, pitch) - pitch / 2.0) * 2.0);
}

float hatch(uint weight, vec2 at, bool strong) {
  float a = (at.x + at.y) * 0.7071, b = (at.x - at.y) * 0.7071;
  float w = strong ? 2.6 : 1.5;
  if (weight == 3u) return max(stripe(a, 8.0, w), stripe(b, 8.0, w));
  if (weight == 2u) return stripe(a, 9.0, w);
  vec2 cell = mod(vec2(a, b), 8.0) - 4.0;
  return 1.0 - smoothstep(w * 0.75, w * 0.75 + 1.0, length(cell));
}

void main() {
  bool front = gl_FrontFacing == (hand > 0.0);
  float off = dot(spot, cut.xyz) - cut.w;
  bool cutting = dot(cut.xyz, cut.xyz) > 0.0;
  if (cutting && off > 0.0) discard;
  vec2 at = gl_FragCoord.xy / pixel;
  vec3 flatNormal = normalize(cross(dFdx(eyeSpot), dFdy(eyeSpot)));
  vec3 n = normalize(eyeNormal);
  if (dot(eyeNormal, eyeNormal) < 0.01 || abs(dot(n, flatNormal)) < 0.5) n = flatNormal;
  vec3 look = normalize(-eyeSpot);
  if (dot(n, look) < 0.0) n = -n;

  float lamp = max(dot(n, normalize(vec3(-0.5, 0.65, 0.6))), 0.0);
  float window = max(dot(n, normalize(vec3(0.8, 0.1, 0.5))), 0.0);
  float rim = pow(1.0 - max(dot(n, look), 0.0), 3.0);
  vec3 c = plaster * (0.36 + 0.52 * lamp + 0.2 * window) * (1.0 - 0.35 * rim);

  if (!front) {
    float eyeSide = dot(eye, cut.xyz) - cut.w;
    if (cutting && solid == 1 && eyeSide > 0.0) {
      vec3 way = spot - eye;
      vec3 p = eye + way * (-eyeSide / dot(way, cut.xyz));
      vec3 side = normalize(cross(cut.xyz, abs(cut.x) < 0.6 * length(cut.xyz) ? vec3(1, 0, 0) : vec3(0, 1, 0)));
      vec3 other = cross(cut.xyz, side);
      float s = (dot(p, side) + dot(p, other)) * 0.7071 / cutStep;
      float w = fwidth(s);
      float line = 1.0 - smoothstep(0.09, 0.09 + 1.5 * w, abs(fract(s) - 0.5));
      colour = vec4(mix(mix(board, plaster, 0.45), pencil, 0.65 * line), 1.0);
      return;
    }
    c = plaster * (0.34 + 0.3 * lamp + 0.12 * window);
    c = mix(c, pencil, 0.3 * stripe(at.y, 6.0, 1.2));
  } else if (valued == 1) {
    float band = amount / bandWidth;
    if (band > 5.0) {
      c = mix(c, pencil, 0.55 * hatch(3u, at, true) + 0.2);
    } else {
      float step5 = floor(band);
      float a = (at.x + at.y) * 0.7071, b = (at.x - at.y) * 0.7071;
      vec2 cell = mod(vec2(a, b), 6.0) - 3.0;
      float dots = 1.0 - smoothstep(step5 * 0.62 - 0.4, step5 * 0.62 + 0.4, length(cell));
      if (step5 > 0.0) c = mix(c, pencil, 0.75 * dots + 0.05 * step5);
      float slope = fwidth(band), contour = min(fract(band), 1.0 - fract(band)) / max(slope, 1e-6);
      if (band > 0.5 && slope > 2e-3) c = mix(c, pencil, 0.8 * (1.0 - smoothstep(0.4, 1.2, contour)));
    }
  }
  if (ink.y > 0u && valued == 0) {
    bool strong = ink.x == 1u;
    c = mix(c, pencil, (strong ? 0.9 : 0.62 * faded) * hatch(ink.y, at, strong));
    if (strong) c = mix(c, pencil, 0.14);
  }
  if (cutting && abs(off) < 1.3 * fwidth(off)) c = mix(c, pencil, 0.9);
  bool outside = any(lessThan(spot, boxLow)) || any(greaterThan(spot, boxHigh));
  if (boxed == 1 && outside) c = mix(c, board, 0.72 - 0.3 * stripe(at.x, 5.0, 1.0));
  colour = vec4(c, 1.0);
}`;

const LINE_POINTS = `#version 300 es
precision highp float;
layout(location = 0) in vec3 start;
layout(location = 1) in vec3 end;
layout(location = 2) in vec2 corner;
uniform mat4 all;
uniform vec2 room;
uniform float width;
out float along;
void main() {
  vec4 a = all * vec4(start, 1.0), b = all * vec4(end, 1.0);
  float near = 1e-4;
  if (a.w < near) a = mix(b, a, (b.w - near) / (b.w - a.w));
  if (b.w < near) b = mix(a, b, (a.w - near) / (a.w - b.w));
  vec2 pa = a.xy / a.w * room, pb = b.xy / b.w * room;
  vec2 way = pb - pa;
  float far = length(way);
  way = far > 0.0 ? way / far : vec2(1, 0);
  vec4 p = corner.x < 0.5 ? a : b;
  p.xy += vec2(-way.y, way.x) * corner.y * width / room * p.w;
  along = corner.x < 0.5 ? 0.0 : far / 2.0;
  gl_Position = p;
}`;

const LINE_DOTS = `#version 300 es
precision highp float;
in float along;
uniform vec4 tone;
uniform float dash;
out vec4 colour;
void main() {
  if (dash > 0.0 && mod(along, dash) > dash * 0.5) discard;
  colour = tone;
}`;

function programOf(gl, points, dots) {
  const program = gl.createProgram();
  for (const [kind, text] of [[gl.VERTEX_SHADER, points], [gl.FRAGMENT_SHADER, dots]]) {
    const shader = gl.createShader(kind);
    gl.shaderSource(shader, text);
    gl.compileShader(shader);
    gl.attachShader(program, shader);
  }
  gl.linkProgram(program);
  if (!gl.getProgramParameter(program, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(program) || 'the picture could not be set up');
  const at = {};
  for (let i = 0; i < gl.getProgramParameter(program, gl.ACTIVE_UNIFORMS); i++) {
    const { name } = gl.getActiveUniform(program, i);
    at[name] = gl.getUniformLocation(program, name);
  }
  return { program, at };
}

function painterOf(gl) {
  const part = programOf(gl, PART_POINTS, PART_DOTS), line = programOf(gl, LINE_POINTS, LINE_DOTS);
  const lines = gl.createVertexArray(), store = gl.createBuffer();
  gl.bindVertexArray(lines);
  gl.bindBuffer(gl.ARRAY_BUFFER, store);
  [[0, 3, 0], [1, 3, 12], [2, 2, 24]].forEach(([at, size, from]) => {
    gl.enableVertexAttribArray(at);
    gl.vertexAttribPointer(at, size, gl.FLOAT, false, 32, from);
  });
  gl.bindVertexArray(null);

  function loaded(mesh) {
    const { position, normal } = cornersFor(mesh);
    const array = gl.createVertexArray(), buffers = [0, 1, 2, 3].map(() => gl.createBuffer());
    gl.bindVertexArray(array);
    const fill = (k, data, set) => {
      gl.bindBuffer(gl.ARRAY_BUFFER, buffers[k]);
      gl.bufferData(gl.ARRAY_BUFFER, data, gl.STATIC_DRAW);
      gl.enableVertexAttribArray(k);
      set();
    };
    fill(0, position, () => gl.vertexAttribPointer(0, 3, gl.FLOAT, false, 0, 0));
    fill(1, normal, () => gl.vertexAttribPointer(1, 3, gl.BYTE, true, 4, 0));
    fill(2, new Uint8Array(2 * mesh.faces.length), () => gl.vertexAttribIPointer(2, 2, gl.UNSIGNED_BYTE, 0, 0));
    gl.vertexAttrib1f(3, 0);
    gl.bindVertexArray(null);
    const put = (k, data) => {
      gl.bindBuffer(gl.ARRAY_BUFFER, buffers[k]);
      gl.bufferData(gl.ARRAY_BUFFER, data, gl.DYNAMIC_DRAW);
    };
    return {
      array, count: mesh.faces.length,
      mark(patches) { // later ones lie over earlier ones
        const marks = new Uint8Array(2 * mesh.faces.length);
        for (const { chosen, weight, ranges } of patches) {
          for (let r = 0; r < ranges.length; r += 2) {
            for (let i = 3 * ranges[r]; i < 3 * (ranges[r] + ranges[r + 1]); i++) {
              marks[2 * i] = chosen ? 1 : 0;
              marks[2 * i + 1] = weight;
            }
          }
        }
        put(2, marks);
      },
      value(values) {
        gl.bindVertexArray(array);
        if (!values) gl.disableVertexAttribArray(3);
        else {
          const each = new Float32Array(mesh.faces.length);
          for (let i = 0; i < each.length; i++) each[i] = Math.min(values[mesh.faces[i]], 1e6);
          put(3, each);
          gl.enableVertexAttribArray(3);
          gl.vertexAttribPointer(3, 1, gl.FLOAT, false, 0, 0);
        }
        gl.bindVertexArray(null);
      },
      drop() {
        buffers.forEach((b) => gl.deleteBuffer(b));
        gl.deleteVertexArray(array);
      },
    };
  }

  function drawPart(shape, set) {
    gl.useProgram(part.program);
    for (const [name, value] of Object.entries(set)) {
      const at = part.at[name];
      if (at === undefined) continue;
      if (name === 'toEye' || name === 'toScreen') gl.uniformMatrix4fv(at, false, value);
      else if (['solid', 'valued', 'boxed'].includes(name)) gl.uniform1i(at, value);
      else if (typeof value === 'number') gl.uniform1f(at, value);
      else if (value.length === 4) gl.uniform4fv(at, value);
      else gl.uniform3fv(at, value);
    }
    gl.bindVertexArray(shape.array);
    gl.drawArrays(gl.TRIANGLES, 0, shape.count);
    gl.bindVertexArray(null);
  }

  // segments: [[from, to], ...]; tone: [r, g, b, a]; behind: how strongly to show, dashed, what lies behind the part.
  function drawLines(segments, all, room, { tone, width = 1.5, dash = 0, behind = 0 }) {
    if (!segments.length) return;
    const data = new Float32Array(segments.length * 48);
    const corners = [[0, -1], [1, -1], [0, 1], [0, 1], [1, -1], [1, 1]];
    segments.forEach(([a, b], s) => corners.forEach((corner, k) => data.set([...a, ...b, ...corner], 48 * s + 8 * k)));
    gl.useProgram(line.program);
    gl.bindVertexArray(lines);
    gl.bindBuffer(gl.ARRAY_BUFFER, store);
    gl.bufferData(gl.ARRAY_BUFFER, data, gl.STREAM_DRAW);
    gl.uniformMatrix4fv(line.at.all, false, all);
    gl.uniform2fv(line.at.room, room);
    gl.uniform1f(line.at.width, width);
    gl.uniform1f(line.at.dash, dash);
    gl.uniform4fv(line.at.tone, tone);
    gl.depthMask(false);
    gl.drawArrays(gl.TRIANGLES, 0, 6 * segments.length);
    if (behind > 0) {
      gl.depthFunc(gl.GREATER);
      gl.uniform1f(line.at.dash, 8 * (window.devicePixelRatio || 1));
      gl.uniform4fv(line.at.tone, [tone[0], tone[1], tone[2], tone[3] * behind]);
      gl.drawArrays(gl.TRIANGLES, 0, 6 * segments.length);
      gl.depthFunc(gl.LEQUAL);
    }
    gl.depthMask(true);
    gl.bindVertexArray(null);
  }

  return { loaded, drawPart, drawLines };
}
