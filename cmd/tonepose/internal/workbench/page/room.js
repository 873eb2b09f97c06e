// A room: its head is a sentence (name, question, answer), below it what it shows.

import { element, say, set } from './dom.js';

export class Room {
  /** name with its key as first letter; question whole, shorter, shortest, as the room has width. */
  constructor(store, name, question, { open = true } = {}) {
    this.store = store;
    this.name = name;
    this.mark = element('span', { class: 'mark', 'aria-hidden': 'true', hidden: true });
    this.words = element('span');
    this.answer = element('span', { class: 'answer' }, this.mark, this.words);
    const title = [element('span', {}, name[0]), name.slice(1)];
    this.button = open
      ? element('button', { class: 'name', type: 'button', 'aria-label': `${name}: open or close`, onclick: () => store.view.change({ room: store.view.room === name ? 'all' : name }) }, ...title)
      : element('b', { class: 'name' }, name);
    this.question = element('span', { class: 'question' }, ...(Array.isArray(question) ? question.map((words, i) => element('span', { class: ['long', 'less', 'least'][i] }, words)) : [question]));
    this.inside = element('div', { class: `inside ${name}` });
    this.node = element('section', { class: 'room', id: `room-${name}`, 'aria-label': name }, element('div', { class: 'head' }, element('h2', {}, this.button), this.question, this.answer), this.inside);
    this.node.style.gridArea = name;
  }

  /** says answers the question; grade is sound, doubt, wrong or missing. */
  says(words, grade = 'sound') {
    say(this.words, words);
    this.answer.title = words;
    set(this.answer, 'data-grade', grade);
    this.mark.hidden = grade === 'sound';
    set(this.mark, 'data-grade', grade);
  }

  get opened() { return this.store.view.room === this.name; }

  /** missing lays words over the room: what is missing, and what to do. */
  missing(what, todo = '', button = null) {
    if (!what) { this.over?.remove(); this.over = null; return; }
    if (!this.over) { this.over = element('div', { class: 'over' }); this.inside.append(this.over); }
    if (this.over.dataset.words === what + todo) return;
    this.over.dataset.words = what + todo;
    this.over.replaceChildren(element('div', { class: 'empty' }, element('b', {}, what), todo, button));
  }
}

/** gradeOfAnswer translates the grades of the session's answers. */
export function gradeOfAnswer(answer) {
  return { sound: 'sound', doubt: 'doubt', wrong: 'wrong' }[answer?.grade] ?? 'sound';
}
