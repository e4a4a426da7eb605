import { mount } from 'svelte';
import '../lib/base.css';
import './board.css';
import Board from './Board.svelte';

const target = document.getElementById('app');
if (target) mount(Board, { target });
